"""What a backtest leaves behind: the JSON, a row for each advisory, and the report."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from adapters.backtest.backtest import Backtest
from adapters.backtest.judging import Verdict, judge, spoken_of
from adapters.backtest.labels import Labels
from adapters.backtest.report import write_page
from adapters.backtest.summary import OfOne, summary_of
from adapters.evaluation.mapping import kinds_of, read_kinds
from rules.model import RuleSet
from rules.notice import NOTICE
from service.instants import to_text

_COLUMNS: Final = (
    "source", "rule_set", "place", "rule", "priority", "raised_at", "spoken_at", "cleared_at",
    "judgement", "condition", "counted", "says",
)  # fmt: skip


def judge_all(
    backtest: Backtest, labels: Mapping[str, Labels], kinds: Path | None
) -> list[list[Verdict]]:
    """For each rule set the verdict on each night.

    LabelError when labels do not fit their source, EvaluationError when it is not known what a
    rule speaks of; without labels that need not be known.
    """
    return [
        [
            judge(night, spoken_of(said.events), labels.get(night.name), of_rules)
            for night, said in zip(backtest.nights, of_all, strict=True)
        ]
        for rules, of_all in zip(backtest.rules, backtest.said, strict=True)
        for of_rules in [_kinds(rules.rule_set, kinds) if labels else {}]
    ]


def _kinds(rule_set: RuleSet, path: Path | None) -> Mapping[str, frozenset[Any]]:
    return kinds_of(rule_set, read_kinds(path))


def write_backtest(
    backtest: Backtest, verdicts: Sequence[Sequence[Verdict]], labelled: int, out: Path
) -> dict[str, Any]:
    """Write the files into `out`; returns what is in the JSON."""
    summary = {"notice": NOTICE, **summary_of(backtest, verdicts, labelled)}
    text = json.dumps(summary, ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    (out / "backtest.json").write_text(text, encoding="utf-8")
    _write_advisories(backtest, verdicts, out / "advisories.csv")
    nights = [
        [
            OfOne(night, of_rules[at], of_all[at])
            for of_rules, of_all in zip(backtest.said, verdicts, strict=True)
        ]
        for at, night in enumerate(backtest.nights)
    ]
    write_page(summary, nights, out / "backtest.html")
    return summary


def _write_advisories(
    backtest: Backtest, verdicts: Sequence[Sequence[Verdict]], path: Path
) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=_COLUMNS)
        writer.writeheader()
        for at, night in enumerate(backtest.nights):
            for rules, of_all in zip(backtest.rules, verdicts, strict=True):
                for judged in of_all[at].judged:
                    spoken, cleared_ms = judged.spoken, judged.spoken.cleared_ms
                    writer.writerow(
                        {
                            "source": night.name,
                            "rule_set": rules.rule_set.spec,
                            "place": spoken.place,
                            "rule": spoken.rule,
                            "priority": spoken.priority,
                            "raised_at": to_text(spoken.raised_ms),
                            "spoken_at": to_text(spoken.spoken_ms),
                            "cleared_at": "" if cleared_ms is None else to_text(cleared_ms),
                            "judgement": judged.judgement,
                            "condition": judged.kind or "",
                            "counted": "yes" if judged.counted else "no",
                            "says": spoken.says,
                        }
                    )
