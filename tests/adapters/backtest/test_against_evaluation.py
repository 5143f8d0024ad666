"""Two ways to judge the same simulated patients agree: the evaluation, which holds the truth in its
hands, and a backtest, which reads it from labels beside a recording."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapters.backtest.backtest import tasks_of
from adapters.backtest.judging import Night, Verdict, judge, spoken_of
from adapters.backtest.labels import labels_for
from adapters.backtest.sources import find_sources
from adapters.backtest.watching import watch_again
from adapters.evaluation.case import START_MS
from adapters.evaluation.mapping import kinds_of, read_kinds
from adapters.evaluation.population import draw_case
from adapters.evaluation.run import UNDER_EVALUATION, Asked, evaluate_case, load_sides, record_case
from adapters.rule_files import DEFAULT_RULES, load_rules

#: One whose gas supply fails, with an advisory that is false, and one more.
NUMBERS = (31, 5)


@pytest.mark.slow
def test_labels_judge_as_the_truth_does(tmp_path: Path) -> None:
    rules = load_rules(DEFAULT_RULES)
    kinds = kinds_of(rules.rule_set, read_kinds())
    sides = load_sides(Asked(DEFAULT_RULES))
    right = false = noticed = 0
    for number in NUMBERS:
        case = draw_case(20, number)
        record_case(case, tmp_path / f"{number}.jsonl")
        [source] = find_sources([tmp_path / f"{number}.jsonl"]).found
        watched = watch_again(tasks_of([source], [rules])[0])
        night = Night(source.name, watched.begins_ms, watched.ends_ms, watched.heard)
        labels = labels_for([source], None)[source.name]
        found = judge(night, spoken_of(watched.events), labels, kinds)
        expected = evaluate_case(case, sides).verdicts[UNDER_EVALUATION]
        assert [
            (one.rule, one.spoken_s, one.kind is not None)
            for one in sorted(expected.advisories, key=lambda one: (one.spoken_s, one.rule))
            if one.spoken_s <= case.lasts_s
        ] == _judged(found, case.lasts_s)
        if expected.episode is not None:
            [episode] = found.episodes
            assert episode.due_ms == START_MS + round(1000 * expected.episode.due_s)
            assert _seconds(episode.named_ms) == expected.episode.named_s
            noticed += episode.noticed_ms is not None
        right += sum(one.judgement == "right" for one in found.judged)
        false += sum(one.judgement == "false" for one in found.judged)
    assert right
    assert false
    assert noticed


def _judged(verdict: Verdict, lasts_s: float) -> list[tuple[str, float, bool]]:
    found = [
        (one.spoken.rule, (one.spoken.spoken_ms - START_MS) / 1000.0, one.judgement == "right")
        for one in verdict.judged
    ]
    return sorted(
        ((rule, round(at_s, 2), right) for rule, at_s, right in found if at_s <= lasts_s),
        key=lambda one: (one[1], one[0]),
    )


def _seconds(at_ms: int | None) -> float | None:
    return None if at_ms is None else (at_ms - START_MS) / 1000.0
