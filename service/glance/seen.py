"""What has been seen of one place on the wire, as far as a glance needs it."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from rules.priority import Priority
from service import messages as wire
from service.battery.report import reported
from service.battery.state import Battery
from service.glance.vitals import KEPT_MS, Vital
from service.instants import from_text
from service.journeys import journey_info
from service.known import JourneyInfo, SettingsInfo
from service.settings import confirmed
from service.supply import follow

#: What was over so long ago is of the past.
OVER_KEPT_MS: Final = 600_000
#: Kinds that come from a patient: when none of them comes, nothing is known of how it is.
READINGS: Final = ("numerics", "waveform", "settings", "power")
_NUMERICS: Final[Mapping[str, Vital]] = {
    "etco2": Vital.ETCO2,
    "fico2": Vital.FICO2,
    "spo2": Vital.SPO2,
    "pulse_rate": Vital.PULSE,
    "rr": Vital.RATE,
    "pip": Vital.PIP,
    "temperature": Vital.TEMPERATURE,
}


@dataclass(frozen=True, slots=True)
class Newest:
    """The newest value of a vital in its own unit, or why there is none; when it was received."""

    value: float | None
    status: str | None
    received_ms: int


@dataclass(frozen=True, slots=True)
class Usual:
    """What is usual there, as published: each a value with its UCUM unit, or None while it is being
    learnt; since when."""

    values: Mapping[str, Mapping[str, Any] | None]
    since_ms: int

    def of(self, name: str) -> float | None:
        """What is usual of one value, where it has been learnt."""
        quantity = self.values.get(name)
        return None if quantity is None else float(quantity["value"])


@dataclass(frozen=True, slots=True)
class Over:
    """An advisory that stood by itself and was over at `ended_ms`."""

    title: str
    priority: Priority
    ended_ms: int


@dataclass(slots=True)
class Seen:
    """One place, `name` is WARD/PLACE. Times in ms since 1970, by the clock of who looks.

    `standing` and `problems` are as the service published them last. `course` holds the values of
    the last two minutes, `over` what was over in the last ten. `settings_heard_ms`: when settings
    were first heard; what they were before nobody here knows. `breaths_ms`: when the first
    inflation was told; `breath_ms`: the last breath of either signal.
    """

    name: str
    patient: wire.Patient | None = None
    journey: JourneyInfo | None = None
    settings: SettingsInfo | None = None
    settings_heard_ms: int | None = None
    supply: str | None = None
    battery: Battery = field(default_factory=Battery)
    newest: dict[Vital, Newest] = field(default_factory=dict)
    course: dict[Vital, deque[tuple[int, float]]] = field(default_factory=dict)
    standing: list[dict[str, Any]] = field(default_factory=list)
    over: list[Over] = field(default_factory=list)
    problems: list[dict[str, Any]] = field(default_factory=list)
    paused: dict[str, Any] | None = None
    usual: Usual | None = None
    reading_ms: int | None = None
    breaths_ms: int | None = None
    breath_ms: int | None = None
    monitor_counts_breaths: bool = False

    @property
    def mode(self) -> str | None:
        """The mode that the ventilator confirmed last."""
        return None if self.settings is None else self.settings.mode

    def take(self, message: wire.Message, received_ms: int) -> None:
        """A message of a device."""
        if isinstance(message, wire.Patient):
            if self.patient is not None and self.patient.patient != message.patient:
                self._forget()
            self.patient = message
        elif isinstance(message, wire.Journey):
            self.journey = journey_info(message, "")
        elif not isinstance(message, wire.Request):
            self.reading_ms = max(received_ms, self.reading_ms or 0)
            self._take_reading(message, received_ms)

    def take_standing(self, body: Mapping[str, Any], received_ms: int) -> None:
        """What stands at the place, as published on `standing`."""
        before, self.standing = self.standing, list(body.get("standing", ()))
        still = {one["id"] for one in self.standing}
        self.over = [one for one in self.over if received_ms - one.ended_ms <= OVER_KEPT_MS]
        # What ends because another patient came is nothing of that one.
        lies_there = None if self.patient is None else self.patient.patient
        self.over += [
            Over(one["title"], Priority(one["priority"]), received_ms)
            for one in before
            if one["id"] not in still
            and one["outranked_by"] is None
            and one["patient"] in (None, lies_there)
        ]
        self.problems = list(body.get("problems", ()))
        self.paused = body.get("paused")

    def take_usual(self, body: Mapping[str, Any]) -> None:
        """What is usual there, as published on `usual`."""
        self.usual = Usual(body["values"], from_text(body["at"]))

    def take_derived(self, body: Mapping[str, Any], received_ms: int) -> None:
        """What a breath meant, as published on `derived`."""
        self.breath_ms = received_ms
        if body.get("channel") != "paw":
            return
        self.breaths_ms = self.breaths_ms or received_ms
        volume = body.get("tidal_volume")
        value = None if volume is None else float(volume["value"])
        self._note(Vital.VOLUME, value, None, received_ms)
        ti, te = body.get("ti"), body.get("te")
        if ti is not None and te is not None and not self.monitor_counts_breaths:
            period_s = float(ti["value"]) + float(te["value"])
            self._note(Vital.RATE, 60.0 / period_s, None, received_ms)

    def _take_reading(
        self,
        message: wire.Numerics | wire.Waveform | wire.Settings | wire.Power,
        received_ms: int,
    ) -> None:
        if isinstance(message, wire.Numerics):
            for name, quantity in message.values.items():
                self.monitor_counts_breaths |= name == "rr" and quantity.usable is not None
                if name in _NUMERICS:
                    self._note(_NUMERICS[name], quantity.usable, quantity.status, received_ms)
        elif isinstance(message, wire.Settings):
            self.settings_heard_ms = self.settings_heard_ms or received_ms
            self.settings = confirmed(self.settings, message, received_ms, "")
        elif isinstance(message, wire.Power):
            self.supply = message.supply
            self.battery = follow(self.battery, reported(message, received_ms))
            if message.charge is not None:
                charge = message.charge
                self._note(Vital.BATTERY, charge.usable, charge.status, received_ms)

    def _note(
        self, vital: Vital, value: float | None, status: str | None, received_ms: int
    ) -> None:
        self.newest[vital] = Newest(value, status, received_ms)
        if value is None:
            return
        course = self.course.setdefault(vital, deque())
        course.append((received_ms, value))
        while course[0][0] < received_ms - KEPT_MS:
            course.popleft()

    def _forget(self) -> None:
        """What was seen of one patient says nothing of the next."""
        self.newest.clear()
        self.course.clear()
        self.usual = None
        self.breath_ms = None
        self.over.clear()
