"""What people who ventilate very small cats know, as scenarios (common practice, no source).

A very small cat is set to a target of 9-10 cmH2O. An inspiratory time of about 0.6 s with an
expiratory time of 2 s is read as about 22 breaths a minute and 1:3.2. When the chest is partly
pressed on, inspiratory time goes from 0.6 to 0.4 s, the rate rises and the volume falls, while
pressure never passes its target. To wean, expiratory time is lengthened until the rate halves.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from adapters.rule_files import load_rules
from adapters.simulator.scenario import Scenario, builtin_scenario_text, load_scenario
from adapters.simulator.ward import SimulatedWard
from rules.engine import build_engine
from service.advisories import AdvisoryEvent
from service.bedside import Bedside
from service.facts import facts_of
from service.intake import Arrival
from service.watch import Watch

START_MS = 1_795_611_600_000
RULES = load_rules("small-animal-ventilation@2.1.0").rule_set
PLACE = "recovery/bay-1"


def _scenario(*events: dict[str, Any], phase: str = "maintenance") -> Scenario:
    """The kitten of the simulated ward, its flow set so that a breath takes 0.6 s."""
    ward = load_scenario(builtin_scenario_text())
    kitten = ward.places[0].model_dump(by_alias=True)
    kitten["settings"] |= {"pip_target_cmh2o": 9.5, "fresh_gas_flow_ml_per_min": 850.0}
    kitten["patient"] |= {"phase": phase}
    kitten |= {"events": list(events), "expects": []}
    return Scenario.model_validate(
        {"scenario": "kitten", "title": "One kitten", "ward": "recovery", "duration_s": 300.0,
         "places": [kitten]}
    )  # fmt: skip


class Case:
    """The kitten under watch."""

    def __init__(self, scenario: Scenario) -> None:
        self._ward = SimulatedWard(scenario, START_MS, 3)
        self._watch = Watch(RULES, build_engine(RULES))
        self.events: list[tuple[float, AdvisoryEvent]] = []
        self.highest_cmh2o = 0.0

    def to(self, after_s: float) -> dict[str, Any]:
        """Go on to this time; the facts then."""
        until_ms = START_MS + round(1000 * after_s)
        sent = self._ward.advance(until_ms)
        arrivals = [Arrival(m.at_ms + 4, m.topic, json.dumps(m.payload).encode()) for m in sent]
        arrivals = [a for a in arrivals if a.received_ms < until_ms]
        outcome = self._watch.step(arrivals, until_ms)
        assert outcome.failed == []
        self.events += [((e.at_ms - START_MS) / 1000.0, e) for _, e, _ in outcome.events]
        for message in sent:
            if message.payload.get("channel") == "paw":
                samples = [s for s in message.payload["samples"] if s is not None]
                self.highest_cmh2o = max(self.highest_cmh2o, *samples)
        return facts_of(self._bedside, until_ms).values

    @property
    def _bedside(self) -> Bedside:
        return self._watch.state.places[PLACE].bedside

    def spoken(self) -> list[str]:
        """Rules that have asked for attention."""
        return [event.advisory.rule for _, event in self.events if event.speaks]


def test_six_tenths_and_two_seconds_are_read_as_about_22_a_minute() -> None:
    case = Case(_scenario())
    facts = case.to(60.0)
    assert facts["breath.ti"] == pytest.approx(0.6, abs=0.04)
    assert facts["breath.rr"] == pytest.approx(22.0, abs=1.5)
    assert facts["breath.ie"] == pytest.approx(3.2, abs=0.25)
    assert case.spoken() == []


def test_a_pressed_chest_fails_behind_a_perfect_pressure_and_it_is_said() -> None:
    press = {"kind": "compliance", "at_s": 60.0, "factor": 0.62, "over_s": 10.0}
    case = Case(_scenario(press))
    before = case.to(60.0)
    after = case.to(110.0)
    assert after["breath.ti"] == pytest.approx(0.4, abs=0.04)
    assert after["breath.rr"] > before["breath.rr"] + 1.0
    assert after["volume.tidal"] < 0.75 * before["volume.tidal"]
    assert case.highest_cmh2o < 9.5 + 0.5
    raised = [at for at, e in case.events if e.advisory.rule == "volume-falling-silently"]
    assert raised
    assert 60.0 < raised[0] < 95.0


def test_weaning_by_a_halved_rate_is_no_alarm() -> None:
    slower = {"kind": "settings", "at_s": 40.0, "te_set_s": 4.85}
    case = Case(_scenario({"kind": "phase", "at_s": 40.0, "phase": "weaning"}, slower))
    facts = case.to(160.0)
    assert facts["breath.rr"] == pytest.approx(11.0, abs=0.7)
    assert case.spoken() == []


@pytest.mark.parametrize("target", [9.0, 9.5, 10.0])
def test_the_usual_target_of_a_very_small_cat_is_none_to_warn_of(target: float) -> None:
    again = {"kind": "settings", "at_s": 20.0, "pip_target_cmh2o": target}
    case = Case(_scenario(again))
    case.to(50.0)
    assert case.spoken() == []
