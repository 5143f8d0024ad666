"""A pressure-cycled ventilator on a T-piece, and the lung behind it, in steps of 1 ms.

An inflation by the fresh gas flow ends when the airway reaches the target, however long that
takes; then the valve stands open for the set expiratory time. Between those events the step is
exact, and the instants of the events are found within it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from adapters.simulator.scenario import CircuitSpec, LungSpec, SettingsSpec
from adapters.simulator.transition import Paths, Step, transition
from adapters.simulator.truth import BreathKind, TrueBreath

STEP_S = 0.001
_MS_PER_S = 1000.0
_S_PER_MIN = 60.0
_ML_PER_L = 1000.0
#: What a circuit that has come off, or a tube that is closed, lets through (mL/s per cmH2O).
_DISCONNECTED = 1e4
_OCCLUDED = 1e-6


@dataclass(slots=True)
class _Open:
    """The breath under way."""

    start_ms: float
    baseline_cmh2o: float
    start_volume_ml: float
    pip_cmh2o: float = 0.0
    ti_ms: float = 0.0
    volume_ml: float = 0.0
    delivered_ml: float = 0.0
    kind: BreathKind = "controlled"


@dataclass(frozen=True, slots=True)
class LastInflation:
    """The inflation that ended last: its number, when it ended, and its measures."""

    number: int
    end_ms: float
    ti_s: float
    volume_ml: float


class Ventilator:
    """State of circuit, lung and ventilator; times in ms on the simulation's own clock."""

    def __init__(
        self, settings: SettingsSpec, circuit: CircuitSpec, lung: LungSpec, now_ms: int
    ) -> None:
        self.settings = settings
        self._circuit = circuit
        self._lung = lung
        self.compliance_factor = 1.0
        self.resistance_factor = 1.0
        self.leak = circuit.leak_ml_per_s_per_cmh2o
        self.valve_factor = 1.0
        self._fresh_gas_factor = 1.0
        self.suction_ml_per_s = 0.0
        self.disconnected = False
        self.extubated = False
        self.occluded = False
        self.exhalation_blocked = False
        self.off = False
        self.effort_cmh2o = 0.0
        self.now_ms = float(now_ms)
        self.airway_cmh2o = settings.peep_cmh2o
        self._elastic_cmh2o = settings.peep_cmh2o
        self._compliance = lung.compliance_ml_per_cmh2o
        self.breaths: list[TrueBreath] = []
        self.last: LastInflation | None = None
        self._open: _Open | None = None
        self._inflating = False
        self._integral = 0.0  # cmH2O ms since the breath began
        self._released_ms = self.now_ms
        self._flow_since_ms = self.now_ms
        self._release_until = self.now_ms if self._cycling else math.inf
        self.refresh()

    @property
    def volume_ml(self) -> float:
        """Volume of the lung over its resting volume."""
        return self._compliance * self._elastic_cmh2o

    @property
    def _cycling(self) -> bool:
        return self.settings.mode == "controlled" and not self.off

    @property
    def _flow(self) -> float:
        return self.fresh_gas_factor * self.settings.fresh_gas_flow_ml_per_min / _S_PER_MIN

    @property
    def open_to_room(self) -> bool:
        """Whether nothing that the sensor sees comes from the lung, and it breathes room air."""
        return self.disconnected or self.extubated

    @property
    def elastic_cmh2o(self) -> float:
        """The elastic pressure of the lung now, over rest (cmH2O)."""
        return self._elastic_cmh2o

    @property
    def fresh_gas_factor(self) -> float:
        """The flow that really comes over the flow that is set."""
        return self._fresh_gas_factor

    @fresh_gas_factor.setter
    def fresh_gas_factor(self, factor: float) -> None:
        self._note_delivery()
        self._fresh_gas_factor = factor

    def extubate(self, out: bool) -> None:
        """The tube slips out, and the lung empties through the larynx; or is put back."""
        if out and not self.extubated:
            self._elastic_cmh2o = 0.0
        self.extubated = out

    def refresh(self) -> None:
        """Take up what was changed in factors, leak, connections and settings."""
        volume = self.volume_ml
        self._compliance = self._lung.compliance_ml_per_cmh2o * self.compliance_factor
        self._elastic_cmh2o = volume / self._compliance
        resistance = self._lung.resistance_cmh2o_s_per_l * self.resistance_factor
        valve = _ML_PER_L / self._circuit.valve_resistance_cmh2o_s_per_l / self.valve_factor
        outlet = self.leak + (_DISCONNECTED if self.disconnected else 0.0)
        if self.extubated:
            # The circuit blows through the tube into the room; the lung lies apart.
            outlet += _ML_PER_L / resistance
        closed = Paths(
            lung_ml_per_cmh2o=self._compliance,
            circuit_ml_per_cmh2o=self._circuit.compliance_ml_per_cmh2o,
            tube=_OCCLUDED if self.occluded or self.extubated else _ML_PER_L / resistance,
            outlet=outlet,
            valve=0.0,
            peep_cmh2o=self.settings.peep_cmh2o,
            flow_ml_per_s=self._flow - self.suction_ml_per_s,
        )
        self._closed = closed
        self._opened = replace(closed, valve=0.0 if self.exhalation_blocked else valve)
        self._closed_step = transition(self._closed, STEP_S)
        self._opened_step = transition(self._opened, STEP_S)

    def change(self, settings: SettingsSpec) -> None:
        """The settings from now on. Leaving controlled mode opens the valve at once."""
        was_cycling = self._cycling
        self._note_delivery()
        self.settings = settings
        self._after_mode(was_cycling)
        self.refresh()

    def switch_off(self, off: bool) -> None:
        """The device is off (valve open) or on again, with the settings it had."""
        was_cycling = self._cycling
        self._note_delivery()
        self.off = off
        self._after_mode(was_cycling)

    def _after_mode(self, was_cycling: bool) -> None:
        if self._cycling and not was_cycling:
            self._release_until = self.now_ms
        elif was_cycling and not self._cycling:
            self._stop_cycling()
        elif self._cycling and not self._inflating:
            self._release_until = max(self.now_ms, self._released_ms + self._te_ms)

    @property
    def _te_ms(self) -> float:
        return self.settings.te_set_s * _MS_PER_S

    def run(self, to_ms: int) -> None:
        """Simulate to `to_ms`; the effort stays what it is."""
        while self.now_ms < to_ms:
            if self._inflating:
                self._inflate(to_ms)
            else:
                self._release(to_ms)

    def _inflate(self, to_ms: int) -> None:
        step, effort, target = self._closed_step, self.effort_cmh2o, self.settings.pip_target_cmh2o
        pp, px, xp, xx = step.pp, step.px, step.xp, step.xx
        pc, xc = step.pc + step.pe * effort, step.xc + step.xe * effort
        now, p, x, integral = self.now_ms, self.airway_cmh2o, self._elastic_cmh2o, self._integral
        relief = self._circuit.relief_cmh2o
        while now < to_ms:
            p_next = pp * p + px * x + pc
            x_next = xp * p + xx * x + xc
            if p_next > relief:  # noqa: PLR1730 (a call in this loop costs as much as the rest)
                p_next = relief
            if p_next >= target:
                # Within 1 ms the rise is straight to far less than a sample's noise.
                part = max(0.0, (target - p) / (p_next - p))
                self.airway_cmh2o = max(p, target)
                self._elastic_cmh2o = x + part * (x_next - x)
                self._integral = integral + part * (p + target) / 2.0
                self._cycle_off(now + part)
                self._part_of_step(self._opened, 1.0 - part)
                self.now_ms = now + 1.0
                return
            integral += (p + p_next) / 2.0
            p, x, now = p_next, x_next, now + 1.0
        self.now_ms, self.airway_cmh2o, self._elastic_cmh2o = now, p, x
        self._integral = integral

    def _release(self, to_ms: int) -> None:
        step, effort, relief = self._opened_step, self.effort_cmh2o, self._circuit.relief_cmh2o
        pp, px, xp, xx = step.pp, step.px, step.xp, step.xx
        pc, xc = step.pc + step.pe * effort, step.xc + step.xe * effort
        now, p, x, integral = self.now_ms, self.airway_cmh2o, self._elastic_cmh2o, self._integral
        until = self._release_until
        while now < to_ms and now + 1.0 <= until:
            p_next = pp * p + px * x + pc
            x = xp * p + xx * x + xc
            if p_next > relief:  # noqa: PLR1730 (an ideal relief valve; as above)
                p_next = relief
            integral += (p + p_next) / 2.0
            p, now = p_next, now + 1.0
        self.now_ms, self.airway_cmh2o, self._elastic_cmh2o = now, p, x
        self._integral = integral
        if now < to_ms:
            part = max(0.0, until - now)
            self._part_of_step(self._opened, part)
            self._end_release(now + part)
            self._part_of_step(self._closed if self._inflating else self._opened, 1.0 - part)
            self.now_ms = now + 1.0

    def _part_of_step(self, paths: Paths, part: float) -> None:
        if part <= 0.0:
            return
        step: Step = transition(paths, part * STEP_S)
        p, x, effort = self.airway_cmh2o, self._elastic_cmh2o, self.effort_cmh2o
        p_next = min(
            step.pp * p + step.px * x + step.pc + step.pe * effort, self._circuit.relief_cmh2o
        )
        self._elastic_cmh2o = step.xp * p + step.xx * x + step.xc + step.xe * effort
        self._integral += part * (p + p_next) / 2.0
        self.airway_cmh2o = p_next

    def _end_release(self, at_ms: float) -> None:
        if self.airway_cmh2o >= self.settings.pip_target_cmh2o:
            # The pressure never came down, so there is nothing to inflate.
            self._released_ms = at_ms
            self._release_until = at_ms + self._te_ms
            return
        self._close(at_ms)
        self._open = _Open(at_ms, self.airway_cmh2o, self.volume_ml)
        self._integral = 0.0
        self._inflating = True
        self._flow_since_ms = at_ms

    def _note_delivery(self) -> None:
        """Count the gas of this inflation so far, before flow or mode changes."""
        if self._inflating and self._open is not None:
            self._open.delivered_ml += self._flow * (self.now_ms - self._flow_since_ms) / _MS_PER_S
            self._flow_since_ms = self.now_ms

    def _cycle_off(self, at_ms: float) -> None:
        self._inflating = False
        self._released_ms = at_ms
        self._release_until = at_ms + self._te_ms
        breath = self._open
        if breath is None:
            return
        breath.delivered_ml += self._flow * (at_ms - self._flow_since_ms) / _MS_PER_S
        breath.ti_ms = at_ms - breath.start_ms
        breath.pip_cmh2o = self.airway_cmh2o
        breath.volume_ml = self.volume_ml - breath.start_volume_ml
        number = 1 if self.last is None else self.last.number + 1
        self.last = LastInflation(number, at_ms, breath.ti_ms / _MS_PER_S, breath.volume_ml)

    def _stop_cycling(self) -> None:
        breath = self._open
        if self._inflating and breath is not None:
            breath.kind = "interrupted"
            breath.ti_ms = self.now_ms - breath.start_ms
            breath.pip_cmh2o = self.airway_cmh2o
            breath.volume_ml = self.volume_ml - breath.start_volume_ml
        self._close(None)
        self._inflating = False
        self._released_ms = self.now_ms
        self._release_until = math.inf

    def _close(self, next_ms: float | None) -> None:
        """File the breath under way, its expiratory time known when another one begins."""
        breath, self._open = self._open, None
        if breath is None:
            return
        end_ms = self.now_ms if next_ms is None else next_ms
        te_ms = None if next_ms is None else next_ms - breath.start_ms - breath.ti_ms
        self.breaths.append(
            TrueBreath(
                start_ms=breath.start_ms,
                ti_s=breath.ti_ms / _MS_PER_S,
                te_s=None if te_ms is None else te_ms / _MS_PER_S,
                pip_cmh2o=breath.pip_cmh2o,
                baseline_cmh2o=breath.baseline_cmh2o,
                mean_cmh2o=self._integral / max(end_ms - breath.start_ms, 1e-9),
                lung_volume_ml=breath.volume_ml,
                delivered_ml=breath.delivered_ml,
                kind=breath.kind,
            )
        )
