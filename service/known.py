"""What is known of a place, as plain data: the newest of each thing, and where it came from."""

from __future__ import annotations

from dataclasses import dataclass, field

from rules.limits import PatientContext
from service.physiology.uncertain import Uncertain
from service.signals.assembly import Assembler
from service.signals.breaths import Breath, Effort, Inflation
from service.signals.capnogram import Co2Breath
from service.signals.holes import Holes
from service.signals.windows import Extremes


@dataclass(slots=True)
class Reading:
    """The newest value of one thing, or why there is none, and the message that brought it."""

    value: float | None
    status: str | None
    at_ms: int
    received_ms: int
    reference: str


@dataclass(slots=True)
class PatientInfo:
    """Who lies here. `mass_kg` may be unknown."""

    patient: str
    species: str
    class_: str
    mass_kg: float | None
    phase: str
    reference: str


def context_of(patient: PatientInfo | None) -> PatientContext:
    """What limits are chosen by for this patient; nothing is known of none."""
    if patient is None:
        return PatientContext()
    return PatientContext(patient.class_, patient.species, patient.mass_kg, patient.phase)


@dataclass(slots=True)
class Jump:
    """What the last confirmed change did: the target's difference (cmH2O), factors of the rest.

    None where a setting was not known before or after.
    """

    at_ms: int
    pip_target: float | None
    te_set: float | None
    fresh_gas_flow: float | None


@dataclass(slots=True)
class SettingsInfo:
    """Confirmed settings of the ventilator, in our units; None where never sent."""

    mode: str | None = None
    pip_target: float | None = None
    te_set: float | None = None
    fresh_gas_flow: float | None = None
    peep_set: float | None = None
    circuit_compliance: float | None = None
    apparatus_dead_space: float | None = None
    at_ms: int = 0
    received_ms: int = 0
    changed_ms: int = 0
    mode_since_ms: int = 0
    jump: Jump | None = None
    reference: str = ""


@dataclass(slots=True)
class PowerInfo:
    """One report of the supply."""

    supply: str
    charge_percent: float | None
    at_ms: int
    received_ms: int
    reference: str


@dataclass(slots=True)
class JourneyInfo:
    """A planned journey; minutes as announced."""

    to: str
    leaves_at_ms: int
    minutes: float
    return_minutes: float
    margin_minutes: float
    reference: str


@dataclass(slots=True)
class Expired:
    """One end-tidal CO2, from the waveform or, without one, from the monitor's numeric."""

    etco2_mmhg: float
    seen_ms: int
    from_waveform: bool
    reference: str


@dataclass(slots=True)
class Channel:
    """One waveform: assembly, and where its device time stands against received time."""

    assembler: Assembler = field(default_factory=Assembler)
    extremes: Extremes = field(default_factory=Extremes)
    holes: Holes = field(default_factory=Holes)
    begun_s: float | None = None
    end_s: float | None = None
    received_ms: int | None = None
    reference: str = ""

    def now_s(self, now_ms: int) -> float | None:
        """Device time at `now_ms`, carried on from the last block received."""
        if self.end_s is None or self.received_ms is None:
            return None
        return self.end_s + (now_ms - self.received_ms) / 1000.0


@dataclass(slots=True)
class Completed:
    """What one step of a bedside completed, for the store and for derived messages.

    Each breath with its tidal volume in mL, where that is known.
    """

    breaths: list[tuple[Breath, Uncertain | None]] = field(default_factory=list)
    efforts: list[Effort] = field(default_factory=list)
    artefacts: list[Inflation] = field(default_factory=list)
    co2_breaths: list[Co2Breath] = field(default_factory=list)

    def __bool__(self) -> bool:
        """Whether anything was completed."""
        return bool(self.breaths or self.efforts or self.artefacts or self.co2_breaths)
