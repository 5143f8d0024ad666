"""A monitor whose readings are judged, for tests of saturation, temperature and pulse."""

from __future__ import annotations

from service.signals.vitals import Trend, Vitals

START_MS = 1_795_611_600_000
Reading = tuple[float, float]


class Monitor:
    """Readings by seconds since the start; device and receipt at the same time."""

    def __init__(self, mass_kg: float | None = 3.0) -> None:
        self.vitals = Vitals()
        self.mass_kg = mass_kg

    def take(self, name: str, *readings: Reading, late_s: float = 0.0) -> None:
        for at_s, value in readings:
            at_ms = START_MS + round(1000 * at_s)
            self.vitals.take(name, value, at_ms, at_ms + round(1000 * late_s), self.mass_kg)

    def doubt(self, name: str, at_s: float) -> str | None:
        trend: Trend = getattr(self.vitals, name)
        return trend.doubted(START_MS + round(1000 * at_s))


def steady(value: float, seconds: int, start: int = 0) -> list[Reading]:
    return [(float(start + s), value) for s in range(seconds)]
