"""What an evaluation leaves behind: the JSON, a row for each case, and the worst cases."""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from adapters.evaluation.judge import Verdict
from adapters.evaluation.run import SIDES, UNDER_EVALUATION, CaseResult
from adapters.evaluation.summary import SIMULATED

_WORST: Final = 25
_COLUMNS: Final = (
    "case", "species", "class", "mass_kg", "lasts_s", "breath_s", "fault", "severity", "begins_s",
    "ends_s", "happenings", "side", "due_s", "grave", "noticed_s", "noticed_by", "delay_s",
    "named_s", "urgent_s", "spoken", "false", "false_ones",
)  # fmt: skip


def write_json(summary: dict[str, Any], out: Path) -> None:
    """Write `evaluation.json`."""
    text = json.dumps(summary, ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    (out / "evaluation.json").write_text(text, encoding="utf-8")


def write_cases(results: Sequence[CaseResult], out: Path) -> None:
    """Write `cases.csv`: a row for each case and side. Its first line says that it is simulated."""
    with (out / "cases.csv").open("w", encoding="utf-8", newline="") as file:
        file.write(f"# {SIMULATED}\n")
        writer = csv.DictWriter(file, fieldnames=_COLUMNS)
        writer.writeheader()
        for one in results:
            for side in SIDES:
                writer.writerow({**_case(one), "side": side, **_verdict(one.verdicts[side])})


def _case(one: CaseResult) -> dict[str, Any]:
    return {
        "case": one.number,
        "species": one.species,
        "class": one.class_,
        "mass_kg": one.mass_kg,
        "lasts_s": one.lasts_s,
        "breath_s": one.period_s,
        "fault": one.fault or "",
        "severity": one.severity or "",
        "begins_s": _shown(one.begins_s),
        "ends_s": _shown(one.ends_s),
        "happenings": "; ".join(f"{name} {at_s:g}" for name, at_s in one.happenings),
    }


def _verdict(verdict: Verdict) -> dict[str, Any]:
    found = verdict.episode
    row: dict[str, Any] = {
        "spoken": len(verdict.advisories),
        "false": len(verdict.false),
        "false_ones": "; ".join(f"{one.rule} {one.spoken_s:g}" for one in verdict.false),
    }
    if found is not None:
        row |= {
            "due_s": found.due_s,
            "grave": found.grave,
            "noticed_s": _shown(found.noticed_s),
            "noticed_by": found.noticed_by or "",
            "delay_s": "" if found.delay_s is None else round(found.delay_s, 2),
            "named_s": _shown(found.named_s),
            "urgent_s": _shown(found.urgent_s),
        }
    return row


def _shown(value: float | None) -> float | str:
    return "" if value is None else value


def worst_cases(results: Sequence[CaseResult], seed: int) -> list[dict[str, Any]]:
    """The cases to look at first: grave faults missed, then others missed, then most false."""
    ranked = sorted(results, key=_badness)
    return [_worst(one, seed) for one in ranked[:_WORST] if _badness(one) < (0, 0, 0)]


def _badness(one: CaseResult) -> tuple[int, int, int]:
    verdict = one.verdicts[UNDER_EVALUATION]
    found = verdict.episode
    missed = found is not None and found.noticed_s is None
    grave = missed and found is not None and found.grave
    return (-int(grave), -int(missed), -len(verdict.false))


def _worst(one: CaseResult, seed: int) -> dict[str, Any]:
    verdict = one.verdicts[UNDER_EVALUATION]
    found = verdict.episode
    words = []
    if found is not None and found.noticed_s is None:
        grave = " (grave)" if found.grave else ""
        words.append(f"missed{grave}: {one.fault} {one.severity}, due at {found.due_s:g} s")
    words += [
        f"false: {false.rule} at {false.spoken_s:g} s"
        + (f", after {false.provoked_by}" if false.provoked_by else "")
        + (f", during {false.during}" if false.during else "")
        for false in verdict.false
    ]
    number = one.number
    return {
        "case": number,
        "patient": f"{one.species}, {one.mass_kg:g} kg",
        "what": words,
        "look": [
            f"tidewarden evaluate --seed {seed} --case {number} --recording case-{number}.jsonl",
            f"tidewarden replay case-{number}.jsonl --out case-{number} --plots",
        ],
    }
