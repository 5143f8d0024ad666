"""Judging: right and false advisories, and when a fault was noticed."""

from __future__ import annotations

from pathlib import Path

import pytest
from cases import case_with, quiet_case

from adapters.evaluation.judge import judge
from adapters.evaluation.mapping import EvaluationError, kinds_of, read_kinds
from adapters.evaluation.population import Happening
from adapters.evaluation.run import COMPARATORS, Asked, load_sides
from adapters.evaluation.truth import Stretch, Truth
from adapters.evaluation.truth_kinds import Kind
from adapters.evaluation.watching import Spoken
from adapters.rule_files import DEFAULT_RULES, load_rules

KINDS = {
    "leak": frozenset({Kind.LEAK}),
    "open": frozenset({Kind.DISCONNECTED}),
    "co2": frozenset({Kind.HYPERCAPNIA}),
}
#: The circuit comes off at 60 s; CO2 is high from 100 s.
TRUTH = Truth(
    (
        Stretch(Kind.DISCONNECTED, 60.0, 200.0, 60.0, 60.0),
        Stretch(Kind.LEAK, 60.0, 200.0, None, None),
        Stretch(Kind.HYPERCAPNIA, 100.0, 200.0, 120.0, None),
    )
)


def _spoken(
    rule: str, at_s: float, priority: str = "medium", raised_s: float | None = None
) -> Spoken:
    return Spoken("w/p", rule, priority, at_s if raised_s is None else raised_s, at_s, "text")


def test_an_episode_counts_once_however_much_fits() -> None:
    said = [_spoken("leak", 63.0), _spoken("open", 66.0, "high"), _spoken("co2", 130.0)]
    verdict = judge(case_with("disconnection"), TRUTH, said, KINDS)
    assert verdict.false == []
    assert verdict.episode is not None
    assert verdict.episode.noticed_s == 63.0
    assert verdict.episode.noticed_by == "leak"
    assert verdict.episode.named_s == 66.0
    assert verdict.episode.urgent_s == 66.0
    assert verdict.episode.delay_s == 3.0
    assert verdict.episode.grave


def test_nothing_said_is_a_miss() -> None:
    verdict = judge(case_with("disconnection"), TRUTH, [], KINDS)
    assert verdict.episode is not None
    assert verdict.episode.delay_s is None


def test_what_does_not_fit_is_false_and_notices_nothing() -> None:
    verdict = judge(case_with("disconnection"), TRUTH, [_spoken("co2", 70.0)], KINDS)
    (false,) = verdict.false
    assert false.during == "disconnection"
    assert verdict.episode is not None
    assert verdict.episode.noticed_s is None


def test_each_false_one_counts_and_says_what_was_before() -> None:
    case = quiet_case()
    cough = Happening("cough", 40.0, 40.3, ())
    case = type(case)(
        **{name: getattr(case, name) for name in case.__slots__} | {"happenings": (cough,)}
    )
    said = [_spoken("leak", 30.0), _spoken("leak", 45.0), _spoken("leak", 150.0)]
    verdict = judge(case, Truth(()), said, KINDS)
    assert [one.provoked_by for one in verdict.false] == [None, "cough", None]
    assert verdict.episode is None


def test_what_comes_to_the_front_late_was_right_when_raised() -> None:
    truth = Truth((Stretch(Kind.LEAK, 60.0, 80.0, 60.0, None),))
    late = _spoken("leak", 150.0, raised_s=70.0)
    assert judge(case_with("leak-small"), truth, [late], KINDS).false == []


def test_too_late_to_be_watched_is_no_episode() -> None:
    truth = Truth((Stretch(Kind.DISCONNECTED, 190.0, 200.0, 190.0, None),))
    assert judge(case_with("disconnection"), truth, [], KINDS).episode is None


def test_a_mended_fault_is_not_noticed_afterwards() -> None:
    truth = Truth(
        (
            Stretch(Kind.DISCONNECTED, 60.0, 90.0, 60.0, None),
            Stretch(Kind.HYPERCAPNIA, 90.0, 200.0, None, None),
        )
    )
    case = case_with("disconnection", ends_s=90.0)
    verdict = judge(case, truth, [_spoken("co2", 130.0)], KINDS)
    assert verdict.false == []
    assert verdict.episode is not None
    assert verdict.episode.noticed_s is None


# -- which rule speaks of what ----------------------------------------------------------------


def test_every_rule_of_library_and_comparators_is_mapped() -> None:
    sides = load_sides(Asked(DEFAULT_RULES))
    assert {one.name for one in sides.contenders} == {"rules", *COMPARATORS}
    for one in sides.contenders:
        assert set(sides.kinds[one.name]) == {rule.id for rule in one.rule_set.rules}


def test_a_rule_without_kinds_is_named(tmp_path: Path) -> None:
    path = tmp_path / "kinds.yaml"
    path.write_text("rules: {spo2-low: [desaturation]}\ncauses: {leak-at-tube: [leak]}\n")
    with pytest.raises(EvaluationError, match=r"circulation-failing.*cause: circulation") as error:
        kinds_of(load_rules(DEFAULT_RULES).rule_set, read_kinds(path))
    assert "spo2-low" not in str(error.value)
    assert "leak-growing" not in str(error.value)


def test_a_kind_that_there_is_not_is_named(tmp_path: Path) -> None:
    path = tmp_path / "kinds.yaml"
    path.write_text("rules: {spo2-low: [sadness]}\n")
    with pytest.raises(EvaluationError, match=r"kinds\.yaml: rules\.spo2-low\.0.*kinds are"):
        read_kinds(path)
    path.write_text("spo2-low\n")
    with pytest.raises(EvaluationError, match=r"kinds\.yaml: expected `rules` and `causes`"):
        read_kinds(path)
    with pytest.raises(EvaluationError, match="cannot be read"):
        read_kinds(tmp_path / "none.yaml")


def test_comparators_know_only_what_a_plain_monitor_has() -> None:
    plain = {
        "etco2", "fico2", "co2.max_10s", "spo2", "temperature", "paw.pip", "paw.max_10s",
        "paw.coverage_10s",
        "breath.since", "breath.rr", "co2.since_breath", "battery.charge", "power.supply",
        "data.paw_age", "data.co2_age", "data.spo2_age", "settings.mode", "patient.class",
    }  # fmt: skip
    for one in load_sides(Asked(DEFAULT_RULES)).contenders:
        if one.name in COMPARATORS:
            assert one.rule_set.facts() <= plain


def test_comparators_use_the_limits_of_the_library_where_it_has_them() -> None:
    ours, *others = (one.rule_set.limits for one in load_sides(Asked(DEFAULT_RULES)).contenders)
    shared = {"etco2_high", "fico2_high", "pip_ceiling", "apnoea_time", "spo2_low"}
    for other in others:
        for name in shared:
            assert other.limits[name].entries == ours.limits[name].entries
