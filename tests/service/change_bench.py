"""Animals on the simulated ventilator whose messages go through intake, bedside and facts.

The lung and the T-piece are those of the simulator (`adapters.simulator.ventilator`); the sensor's
noise and the pulse in it are added here as its monitor does. Nothing is known of gas: so minutes
pass in a moment, and what cannot be told in a scenario (a flow turned by hand, another patient, a
flow sensor) can be told here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Any

from bench_animals import ANIMALS, BY_NAME, Animal
from service_bench import START_MS, Arrival, Body, body, encoded, quantity

from adapters.simulator.scenario import CircuitSpec, LungSpec, SettingsSpec
from adapters.simulator.truth import TrueBreath
from adapters.simulator.ventilator import Ventilator
from service.bedside import Bedside
from service.facts import FactSet, facts_of
from service.intake import Accepted, Intake

__all__ = ["ANIMALS", "BY_NAME", "Animal", "Bench", "Told", "first", "wrong"]

PAW_HZ = 100
BLOCK_MS = 500
LATENCY_MS = 20
#: Told means told with at least this confidence.
SURE = 0.75
#: What says that nothing sure is known.
SAYS_NOTHING = ("none", "unclear", None)


@dataclass(frozen=True)
class Told:
    """What the facts said at `at_s`, after `breaths` true inflations since the mark."""

    at_s: float
    breaths: int
    cause: str | None
    confidence: float | None
    factor: float | None
    second: str | None
    lasts_s: float | None

    @property
    def is_sure(self) -> bool:
        return self.cause not in SAYS_NOTHING and (self.confidence or 0.0) >= SURE


@dataclass
class Bench:
    """One place. `run` lets time pass; `told` holds what the facts said after each block."""

    animal: Animal
    seed: int = 1
    noise_cmh2o: float = 0.07
    beat_cmh2o: float = 0.03
    circuit_known: bool = True
    settings_known: bool = True
    flow_sensor: Callable[[float, float], float | None] | None = None
    flow_hz: int = PAW_HZ
    relief_cmh2o: float = 60.0
    late_flow_blocks: int = 0
    told: list[Told] = field(default_factory=list)

    def __post_init__(self) -> None:
        animal = self.animal
        self.machine = Ventilator(
            animal.settings(),
            CircuitSpec(
                compliance_ml_per_cmh2o=animal.circuit,
                valve_resistance_cmh2o_s_per_l=0.02 / (animal.compliance + animal.circuit) * 1e3,
                relief_cmh2o=self.relief_cmh2o,
            ),
            LungSpec(
                compliance_ml_per_cmh2o=animal.compliance,
                resistance_cmh2o_s_per_l=animal.resistance,
                dead_space_ml=0.01,
                residual_ml=1.0,
            ),
            -60_000,
        )
        self.machine.run(0)
        self.machine.breaths.clear()
        self.bedside = Bedside("ward-a", "bed-1")
        self.random = Random(f"{self.seed}/{animal.name}")
        self.now_ms = 0
        self.mark_ms = 0
        self.by_hand = False
        self._let_go = 0.0
        self._volume_ml = self.machine.volume_ml
        self._waiting: list[tuple[list[float | None], int]] = []
        self._intake = Intake()
        self._seq = 0
        self._settings = animal.settings()
        self.send_patient(animal.name)
        if self.settings_known:
            self.send_settings()

    # -- what the device says ---------------------------------------------------------------------

    def send(self, kind: str, at_ms: int | None = None, **changes: Any) -> None:
        """The next message of the device; it must be accepted."""
        self._seq += 1
        at_ms = START_MS + (self.now_ms if at_ms is None else at_ms)
        payload = encoded(body(kind, seq=self._seq, at_ms=at_ms, **changes))
        topic = f"tidewarden/1/ward-a/bed-1/{kind}"
        taken = self._intake.take(Arrival(self.wall_ms, topic, payload))
        assert isinstance(taken, Accepted), taken
        self.bedside.take(taken)

    def send_patient(self, name: str) -> None:
        mass = quantity(self.animal.mass_kg, "kg")
        self.send("patient", patient=name, mass=mass, **{"class": self.animal.class_})

    def send_settings(self, at_ms: int | None = None) -> None:
        settings, circuit = self._settings, self.animal.circuit
        values: Body = {
            "mode": settings.mode,
            "pip_target": quantity(settings.pip_target_cmh2o, "cm[H2O]"),
            "te_set": quantity(settings.te_set_s, "s"),
            "fresh_gas_flow": quantity(settings.fresh_gas_flow_ml_per_min, "mL/min"),
            "peep_set": quantity(settings.peep_cmh2o, "cm[H2O]"),
        }
        if self.circuit_known:
            values["circuit_compliance"] = quantity(circuit, "mL/cm[H2O]")
        self.send("settings", at_ms=at_ms, **values)

    # -- what happens -----------------------------------------------------------------------------

    def fault(self, **levels: float | bool) -> None:
        """`compliance`, `resistance` (factors), `leak`, or a connection, from now on."""
        names = {"compliance": "compliance_factor", "resistance": "resistance_factor"}
        for name, level in levels.items():
            setattr(self.machine, names.get(name, name), level)
        self.machine.refresh()

    def turn(self, *, confirmed: bool = True, **changes: float | str) -> None:
        """The team changes settings; with `confirmed` the device says so."""
        now = self.machine.settings.model_copy(update=changes)
        self.machine.change(now)
        if confirmed:
            self._settings = now
            self.send_settings()

    def announce(self, settings: SettingsSpec, in_s: float) -> None:
        """The device says now what holds from `in_s` on."""
        self._settings = settings
        self.send_settings(self.now_ms + round(1000 * in_s))

    def squeeze(self, on: bool) -> None:
        """Somebody gives breaths by hand: higher, and let go slowly through a hand."""
        self.by_hand = on

    def mute(self, seconds: float) -> None:
        """Time passes without a word from the device."""
        self.now_ms += round(1000 * seconds)
        self.machine.run(self.now_ms)

    def mark(self) -> None:
        """Count breaths and collect what is told from now on."""
        self.mark_ms = self.now_ms
        self.told.clear()

    def run(self, seconds: float, each: Callable[[float], None] | None = None) -> list[Told]:
        """Let time pass in blocks; `each` is called every 50 ms with the share that has passed."""
        begun, until = self.now_ms, self.now_ms + round(1000 * seconds)
        before = len(self.told)
        while self.now_ms < until:
            self._block(begun, until, each)
        return self.told[before:]

    def _block(self, begun: int, until: int, each: Callable[[float], None] | None) -> None:
        from_ms, step_ms = self.now_ms, 1000 // PAW_HZ
        samples: list[float | None] = []
        flows: list[float | None] = []
        for at in range(from_ms, from_ms + BLOCK_MS, step_ms):
            if each is not None and at % 50 == 0:
                each((at - begun) / (until - begun))
            self.machine.run(at)
            samples.append(self._sample(at))
            if self.flow_sensor is not None and at % (1000 // self.flow_hz) == 0:
                flows.append(self.flow_sensor(at / 1000.0, self._flow_into_lung()))
        self.now_ms = from_ms + BLOCK_MS
        self.send_wave("paw", "cm[H2O]", samples, from_ms)
        self.send_flow(flows, from_ms)
        if self.now_ms % 60_000 == 0 and self.settings_known:
            self.send_settings()
        self.bedside.due(self.wall_ms)
        self._tell()

    def _flow_into_lung(self) -> float:
        """What has flowed since the last sample, mL/s."""
        volume, before = self.machine.volume_ml, self._volume_ml
        self._volume_ml = volume
        return (volume - before) * self.flow_hz

    def send_flow(self, flows: list[float | None], from_ms: int) -> None:
        """The block of the flow sensor, or one of before that was on its way for long."""
        if self.flow_sensor is None:
            return
        self._waiting.append((flows, from_ms))
        if len(self._waiting) > self.late_flow_blocks:
            waited, at = self._waiting.pop(0)
            self.send_wave("flow", "mL/s", waited, at)

    def send_wave(self, channel: str, unit: str, samples: Sequence[float | None], at: int) -> None:
        self.send(
            "waveform",
            at_ms=at,
            channel=channel,
            unit=unit,
            rate_hz=PAW_HZ if channel == "paw" else self.flow_hz,
            samples=list(samples),
        )

    def _sample(self, at_ms: int) -> float:
        airway = self.machine.airway_cmh2o
        # A hand holds some of the gas back while it opens: pressure falls by half in 0.1 s.
        self._let_go = max(airway, self._let_go * 0.5 ** (1.0 / (0.1 * PAW_HZ)))
        if self.by_hand:
            airway = self._let_go
        beat = self.beat_cmh2o * math.sin(2.0 * math.pi * 4.1 * at_ms / 1000.0)
        noise = self.random.gauss(0.0, self.noise_cmh2o)
        return round(airway + beat + noise, 2)

    # -- what is told and what is true ------------------------------------------------------------

    @property
    def wall_ms(self) -> int:
        """Received time now."""
        return START_MS + self.now_ms + LATENCY_MS

    def facts(self) -> FactSet:
        return facts_of(self.bedside, self.wall_ms)

    def _tell(self) -> None:
        values: dict[str, Any] = self.facts().values
        names = ("cause", "confidence", "factor", "second", "lasts")
        cause, confidence, factor, second, lasts = (values.get(f"change.{n}") for n in names)
        self.told.append(
            Told(
                self.now_ms / 1000.0,
                self.breaths_since(self.mark_ms),
                cause,
                confidence,
                factor,
                second,
                lasts,
            )
        )

    def breaths_since(self, at_ms: int) -> int:
        """True inflations that began after `at_ms` and have ended."""
        closed = sum(1 for breath in self.machine.breaths if breath.start_ms >= at_ms)
        last = self.machine.last
        # The newest one is closed only by its successor.
        ended = last is not None and last.end_ms - 1000.0 * last.ti_s >= at_ms
        newest = self.machine.breaths[-1].start_ms if self.machine.breaths else -math.inf
        open_ = ended and last is not None and last.end_ms - 1000.0 * last.ti_s > newest + 1.0
        return closed + int(open_)

    def true_breaths(self) -> list[TrueBreath]:
        return self.machine.breaths

    def settle(self, breaths: int = 14) -> None:
        """Long enough that the usual is learnt."""
        self.run(3.5 + breaths * (self.animal.ti_s + self.animal.te_s))


def first(told: Sequence[Told], cause: str) -> Told | None:
    """When `cause` was first told for sure."""
    return next((t for t in told if t.is_sure and t.cause == cause), None)


def wrong(told: Sequence[Told], *right: str) -> list[Told]:
    """What was told for sure and is not so."""
    return [t for t in told if t.is_sure and t.cause not in right]
