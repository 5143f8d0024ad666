"""The simulated ward: all places together, their messages in order of time.

The same scenario, start and seed give the same messages, however `advance` is cut. No clock is
read: time is what the caller says.
"""

from __future__ import annotations

from dataclasses import replace

from adapters.simulator.device import Sent
from adapters.simulator.place import SimulatedPlace
from adapters.simulator.scenario import Scenario
from adapters.simulator.truth import Expectation, TrueBreath, Truth

__all__ = ["Expectation", "Sent", "SimulatedWard", "TrueBreath", "Truth"]


class SimulatedWard:
    """A ward of simulated places that starts, settled, at `start_ms` (ms since 1970)."""

    def __init__(self, scenario: Scenario, start_ms: int, seed: int) -> None:
        self.scenario = scenario
        self._start_ms = start_ms
        self._places = {
            spec.place: SimulatedPlace(spec, scenario.ward, start_ms, seed)
            for spec in scenario.places
        }

    def advance(self, until_ms: int) -> list[Sent]:
        """All messages that devices send up to and with `until_ms` (ms since 1970), in order.

        Each is given once: a call takes up where the last one ended. An earlier time gives none.
        """
        sent = [
            message
            for place in self._places.values()
            for message in place.advance(until_ms - self._start_ms)
        ]
        # The sort keeps the order of places and messages within one millisecond.
        return sorted(sent, key=lambda message: message.at_ms)

    @property
    def truth(self) -> list[Truth]:
        """What happened so far, and what it should lead to, in order of time."""
        all_places = [truth for place in self._places.values() for truth in place.truth]
        return sorted(all_places, key=lambda truth: truth.at_ms)

    def breaths(self, place: str) -> list[TrueBreath]:
        """Whole breaths of `place` begun since the start, in order; times are ms since 1970.

        KeyError for a place that the scenario does not have.
        """
        found = self._places[place].animal.ventilator.breaths
        return [
            replace(breath, start_ms=self._start_ms + breath.start_ms)
            for breath in found
            if breath.start_ms >= 0.0
        ]
