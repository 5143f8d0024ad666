"""One animal on its ventilator under its monitor: the physics of a place, and its settled start."""

from __future__ import annotations

import math

from adapters.simulator.drive import Drive
from adapters.simulator.gas import Gas
from adapters.simulator.monitor import Monitor
from adapters.simulator.push import Push
from adapters.simulator.scenario import GAS_STEP_MS, PlaceSpec
from adapters.simulator.ventilator import Ventilator
from service.physiology import mechanics

_MS_PER_S = 1000
_S_PER_MIN = 60.0
_DETECT_MS = 20
#: Breaths before the story: for the lungs to settle with the blood held, then for the monitor.
_HELD_BREATHS = 14
_SHOWN_BREATHS = 6
#: Without cycling there is no breath to settle by: this long, breathing by itself.
_FREE_S = 40
_FREE_OVER_THRESHOLD_MMHG = 3.0


class Animal:
    """Times in whole ms on the simulation's own clock; the story begins at 0, settled."""

    def __init__(self, spec: PlaceSpec, seed: str) -> None:
        self._spec = spec
        self._cycle_s = self._expected_cycle_s()
        start_ms = -self._warm_up_s() * _MS_PER_S
        self.now_ms = start_ms
        self.ventilator = Ventilator(spec.settings, spec.circuit, spec.lung, start_ms)
        self.gas = Gas(spec)
        self.drive = Drive(spec.drive)
        self.monitor = Monitor(spec.monitor, seed)
        self.push: Push | None = None
        self._settle()

    def _expected_cycle_s(self) -> float:
        """Ti + Te by the closed form; infinite when the ventilator will not cycle."""
        settings, circuit, lung = self._spec.settings, self._spec.circuit, self._spec.lung
        if settings.mode != "controlled":
            return math.inf
        flow = settings.fresh_gas_flow_ml_per_min / _S_PER_MIN
        ti_s = mechanics.inflation_time_s(
            mechanics.Lung(lung.compliance_ml_per_cmh2o, lung.resistance_cmh2o_s_per_l),
            mechanics.Inflation(
                flow,
                settings.pip_target_cmh2o,
                settings.peep_cmh2o,
                circuit.compliance_ml_per_cmh2o,
                circuit.leak_ml_per_s_per_cmh2o,
            ),
        )
        return ti_s + settings.te_set_s

    def _warm_up_s(self) -> int:
        if math.isinf(self._cycle_s):
            return _FREE_S
        return math.ceil((_HELD_BREATHS + _SHOWN_BREATHS) * self._cycle_s) + 1

    def run_to(self, to_ms: int) -> None:
        """Simulate to `to_ms`. The result does not depend on where runs are cut."""
        while self.now_ms < to_ms:
            grid_ms = self.now_ms - self.now_ms % GAS_STEP_MS + GAS_STEP_MS
            self.now_ms = min(grid_ms, to_ms)
            self.ventilator.run(self.now_ms)
            if self.now_ms == grid_ms:
                self._tick()

    def _tick(self) -> None:
        now, ventilator, gas, monitor = self.now_ms, self.ventilator, self.gas, self.monitor
        gas.tick(ventilator.volume_ml, ventilator.open_to_room)
        if not gas.held:
            self.drive.tick(now, gas.blood_co2, ventilator)
        if self.push is not None:
            # What pushes the chest together works against what the animal pulls.
            ventilator.effort_cmh2o -= self.push.at(now)
        monitor.tick(gas.sensor_co2, ventilator.airway_cmh2o)
        if now % _DETECT_MS == 0:
            monitor.detect(now)
            if now % _MS_PER_S == 0:
                monitor.second(gas.saturation)

    def _settle(self) -> None:
        if math.isinf(self._cycle_s):
            self.gas.blood_co2 = self._spec.drive.co2_threshold_mmhg + _FREE_OVER_THRESHOLD_MMHG
            self.run_to(0)
        else:
            self._settle_co2()
            self.run_to(0)
        self.ventilator.breaths.clear()
        self.monitor.start()

    def _settle_co2(self) -> None:
        """Find the blood CO2 that ventilation holds, and start there.

        With the blood held at any CO2 the lungs settle within some breaths, and all CO2 is
        proportional to it; so one measured breath gives the factor to the steady state, which
        the blood alone would take many minutes to reach.
        """
        self.gas.held = True
        ventilator, seen = self.ventilator, 0
        started_ms, eliminated = 0, 0.0
        while seen < _HELD_BREATHS and self.now_ms < 0:
            self.run_to(self.now_ms + GAS_STEP_MS)
            if len(ventilator.breaths) == seen:
                continue
            seen = len(ventilator.breaths)
            if seen == _HELD_BREATHS - 1:
                started_ms, eliminated = self.now_ms, self.gas.eliminated_ml
        self.gas.held = False
        per_ms = 0.0
        if seen == _HELD_BREATHS:
            per_ms = (self.gas.eliminated_ml - eliminated) / (self.now_ms - started_ms)
        # Without a breath that clears the dead space there is no steady state to start from.
        if per_ms > 0.0:
            produced = self._spec.gas.co2_output_ml_per_min / _S_PER_MIN / _MS_PER_S
            self.gas.scale_co2(produced / per_ms)
            self.monitor.scale_co2(produced / per_ms)
