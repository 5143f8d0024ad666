"""How well a fact was read goes with it: into the facts, the evidence and the doubts.

No outside source: Tidewarden's own promise that what was read badly is not used, and what was read
less well says so.
"""

from __future__ import annotations

from collections import deque

import pytest
from change_bench import BY_NAME, Bench
from service_bench import library_rules

from rules.limits import PatientContext
from rules.model import Rule
from service.advisories import Advisory, Moment
from service.facts import FactSet, facts_of
from service.facts.factset import QUALITY_FLOOR, Read
from service.wording import write_advisory

DOUBT = "only 4 samples"


def test_floor() -> None:
    facts = FactSet()
    facts.put("breath.step", 1.0, read=Read(QUALITY_FLOOR, DOUBT))
    facts.put("breath.slope", 1.0, read=Read(QUALITY_FLOOR - 0.01, DOUBT))
    facts.put("breath.bend", 1.0, read=Read(1.0, ""))
    facts.put("breath.area", None, "no sample", Read(0.1, DOUBT))
    assert facts.values == {"breath.step": 1.0, "breath.bend": 1.0}
    assert facts.unknown == {
        "breath.slope": f"read too badly to be used: {DOUBT}",
        "breath.area": "no sample",
    }
    assert (facts.quality, facts.doubts) == (
        {"breath.step": QUALITY_FLOOR},
        {"breath.step": DOUBT},
    )


def _read_as(quality: float, *, last: int = 1) -> FactSet:
    """A settled bench whose last inflations were read that well."""
    bench = Bench(BY_NAME["cat"])
    bench.settle()
    for inflation in list(bench.bedside.inflations)[-last:]:
        inflation.quality, inflation.doubt = quality, DOUBT
    for marks in list(bench.bedside.changes.recent)[-last:]:
        marks.quality, marks.doubt = quality, DOUBT
    return bench.facts()


SURE = ("paw.pip", "paw.pip_over_target", "paw.baseline", "paw.driving", "breath.ti",
        "volume.tidal", "volume.tidal_low", "volume.per_kg_high")  # fmt: skip
BY_FORM = ("breath.step", "breath.slope", "breath.bend", "breath.area", "breath.effort",
           "breath.time_to_target", "lung.compliance", "lung.resistance_low")  # fmt: skip
BY_THREE = ("slope.ratio_to_baseline", "step.over_baseline")
SURE_BY_THREE = ("ti.ratio_to_baseline", "volume.ratio_to_baseline")
CHANGES = ("change.cause", "change.confidence")


def test_well_read() -> None:
    facts = _read_as(1.0)
    assert not facts.quality.keys() & {*SURE, *BY_FORM, *BY_THREE, *SURE_BY_THREE, *CHANGES}


def test_less_well_read() -> None:
    facts = _read_as(0.6)
    for name in (*SURE, *BY_FORM, *CHANGES):
        assert (name, facts.quality[name], facts.doubts[name]) == (name, 0.6, DOUBT)
    # One of three moves no median.
    assert not facts.quality.keys() & {*BY_THREE, *SURE_BY_THREE}
    assert {_read_as(0.6, last=2).quality[n] for n in (*BY_THREE, *SURE_BY_THREE)} == {0.6}


def test_badly_read() -> None:
    facts = _read_as(0.3, last=3)
    for name in (*BY_FORM, *BY_THREE, *CHANGES):
        assert facts.unknown[name] == f"read too badly to be used: {DOUBT}"
    # A peak and a time are there to be seen all the same.
    for name in (*SURE, *SURE_BY_THREE):
        assert facts.quality[name] == 0.5


def _advisory(quality: float | None) -> tuple[Rule, Advisory]:
    """Of a chest that stiffens, with `ti.ratio_to_baseline` read that well."""
    rule_set = library_rules()
    rule = rule_set.rule("volume-falling-silently")
    bench = Bench(BY_NAME["cat"])
    bench.settle()
    bench.fault(compliance=0.5)
    bench.run(20.0)
    facts = facts_of(bench.bedside, bench.wall_ms)
    if quality is not None:
        for name in list(facts.values):
            if name.startswith(("ti.", "slope.")):
                facts.quality[name], facts.doubts[name] = quality, DOUBT
    animal = bench.animal
    context = PatientContext(
        class_=animal.class_, species="cat", mass_kg=animal.mass_kg, phase="maintenance"
    )
    limits = rule_set.limits.resolve(context)
    moment = Moment(bench.wall_ms, "cat", facts, limits, frozenset())
    return rule, write_advisory(bench.bedside, rule, moment, bench.wall_ms, "0" * 16)


def test_evidence_says_how_well_it_was_read() -> None:
    _, advisory = _advisory(0.62)
    by_fact = {evidence.fact: evidence.quality for evidence in advisory.evidence}
    assert by_fact["ti.ratio_to_baseline"] == 0.62
    said = [doubt for doubt in advisory.uncertainty if "quality" in doubt]
    assert any(d.endswith(f"could only be read with quality 0.6: {DOUBT}") for d in said)
    assert len(said) == len(set(said))
    assert all(doubt[0].isupper() for doubt in said)


def test_evidence_that_was_read_well_says_nothing() -> None:
    _, advisory = _advisory(None)
    assert {evidence.quality for evidence in advisory.evidence} == {None}
    assert not [doubt for doubt in advisory.uncertainty if "quality" in doubt]


@pytest.mark.parametrize("count", [1, 2, 3])
def test_median_quality(count: int) -> None:
    bench = Bench(BY_NAME["cat"])
    bench.settle()
    kept = list(bench.bedside.inflations)[-count:]
    for at, inflation in enumerate(kept):
        inflation.quality, inflation.doubt = 0.5 + 0.1 * at, f"doubt {at}"
    bench.bedside.inflations = deque(kept)
    expected = {1: 0.5, 2: 0.5, 3: 0.6}[count]
    assert bench.facts().quality["slope.ratio_to_baseline"] == pytest.approx(expected)
