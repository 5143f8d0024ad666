"""What was recorded at each place, kept from accepted messages for drawing."""

from __future__ import annotations

from array import array
from collections.abc import Iterable
from dataclasses import dataclass, field

from adapters.plots.waves import Block
from service.intake import Accepted
from service.messages import Numerics, Patient, Settings, Waveform

#: Waves and numerics that are drawn.
CHANNELS = ("paw", "co2", "flow")
NUMERICS = ("spo2", "pulse_rate", "etco2", "rr")
_LOST = float("nan")


@dataclass(slots=True)
class PlaceRecord:
    """One place. Times in s since 1970 (device time), values in the units of the wire."""

    #: Waves as they came; `waves.joined` puts them in order.
    blocks: dict[str, list[Block]] = field(default_factory=dict)
    #: (time, value, or NaN where the monitor had none).
    numerics: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    #: (time, words): who lay there, each change once.
    patients: list[tuple[float, str]] = field(default_factory=list)
    #: (time, words): the settings, each change once.
    settings: list[tuple[float, str]] = field(default_factory=list)


@dataclass(slots=True)
class Recorded:
    """All places by `ward/place`."""

    places: dict[str, PlaceRecord] = field(default_factory=dict)

    def take(self, accepted: Iterable[Accepted]) -> None:
        """Keep what can be drawn."""
        for item in accepted:
            place = self.places.setdefault(f"{item.ward}/{item.place}", PlaceRecord())
            message = item.message
            if isinstance(message, Waveform):
                _take_wave(place, message)
            elif isinstance(message, Numerics):
                _take_numerics(place, message)
            elif isinstance(message, Patient):
                _note_change(place.patients, message.at / 1000.0, _patient_words(message))
            elif isinstance(message, Settings):
                _note_change(place.settings, message.at / 1000.0, _settings_words(message))


def _take_wave(place: PlaceRecord, message: Waveform) -> None:
    if message.channel not in CHANNELS:
        return
    values = array("f", (_LOST if value is None else value for value in message.samples))
    block = Block(message.at / 1000.0, message.rate_hz, values)
    place.blocks.setdefault(message.channel, []).append(block)


def _take_numerics(place: PlaceRecord, message: Numerics) -> None:
    for name in NUMERICS:
        quantity = message.values.get(name)
        if quantity is not None:
            value = _LOST if quantity.value is None else quantity.value
            place.numerics.setdefault(name, []).append((message.at / 1000.0, value))


def _note_change(changes: list[tuple[float, str]], at_s: float, words: str) -> None:
    if not changes or changes[-1][1] != words:
        changes.append((at_s, words))


def _patient_words(message: Patient) -> str:
    mass = message.mass.value if message.mass is not None else None
    weight = (
        "" if mass is None else f", {mass * 1000.0:.0f} g" if mass < 1.0 else f", {mass:.1f} kg"
    )
    return f"{message.patient}: {message.species}{weight}"


def _settings_words(message: Settings) -> str:
    words: list[str] = [message.mode or "mode unknown"]
    for name, quantity, unit in (
        ("PIP", message.pip_target, "cmH2O"),
        ("Te", message.te_set, "s"),
        ("fresh gas", message.fresh_gas_flow, "mL/min"),
        ("PEEP", message.peep_set, "cmH2O"),
    ):
        if quantity is not None and quantity.value is not None:
            words.append(f"{name} {quantity.value:g} {unit}")
    return ", ".join(words)
