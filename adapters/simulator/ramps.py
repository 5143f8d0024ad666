"""What may move in a straight line at a simulated place: factors, shares, a leak, a temperature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from adapters.simulator.animal import Animal

#: A ramp moves in steps of this length.
RAMP_MS: Final = 50


@dataclass(slots=True)
class _Ramp:
    what: str
    start: float
    end: float
    from_ms: int
    to_ms: int

    def value(self, now_ms: int) -> float:
        if now_ms >= self.to_ms:
            return self.end
        share = (now_ms - self.from_ms) / (self.to_ms - self.from_ms)
        return self.start + share * (self.end - self.start)


class Ramps:
    """The ramps under way of one animal."""

    def __init__(self, animal: Animal) -> None:
        self._animal = animal
        self._under_way: list[_Ramp] = []

    def next_ms(self, now_ms: int) -> int | None:
        """When a ramp moves next, if any is under way."""
        return now_ms - now_ms % RAMP_MS + RAMP_MS if self._under_way else None

    def begin(self, what: str, end: float, lasts_ms: int, now_ms: int) -> None:
        """Move `what` to `end` from now on; an earlier ramp of it is over."""
        self._under_way = [ramp for ramp in self._under_way if ramp.what != what]
        start = _level(self._animal, what)
        self._under_way.append(_Ramp(what, start, end, now_ms, now_ms + lasts_ms))
        self.move(now_ms)

    def move(self, now_ms: int) -> None:
        """Bring everything to where it is at `now_ms`."""
        for ramp in self._under_way:
            _set(self._animal, ramp.what, ramp.value(now_ms))
        self._under_way = [ramp for ramp in self._under_way if now_ms < ramp.to_ms]
        self._animal.ventilator.refresh()


#: Where each of them stands: the part of the animal and the name there.
_PLACES: Final = {
    "compliance": ("ventilator", "compliance_factor"),
    "resistance": ("ventilator", "resistance_factor"),
    "valve": ("ventilator", "valve_factor"),
    "fresh-gas": ("ventilator", "fresh_gas_factor"),
    "leak": ("ventilator", "leak"),
    "perfusion": ("gas", "perfusion"),
    "shunt": ("gas", "shunt"),
    "rebreathing": ("gas", "rebreathed"),
    "inspired-oxygen": ("gas", "inspired_oxygen"),
    "dilution": ("monitor", "dilution"),
    "temperature": ("monitor", "temperature_change_c"),
}


def _level(animal: Animal, what: str) -> float:
    part, name = _PLACES[what]
    return float(getattr(getattr(animal, part), name))


def _set(animal: Animal, what: str, level: float) -> None:
    part, name = _PLACES[what]
    setattr(getattr(animal, part), name, level)
