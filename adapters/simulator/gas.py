"""Carbon dioxide and oxygen in lung and blood, and the gas that passes the CO2 sensor.

Alveolar gas is one well-mixed space; in front of it lies the dead space, a column without mixing:
what is breathed in first is the gas that was breathed out last. Blood and near tissue are one
store behind it, fed by metabolism. Volumes are taken as BTPS and gas amounts as STPD, so that the
steady state is PACO2 = 0.863 VCO2/VA. Left out: volume taken up by oxygen alone, nitrogen, shunt
by disease. A little venous admixture is always there.
"""

from __future__ import annotations

import math

from adapters.simulator.scenario import GAS_STEP_MS, PlaceSpec
from service.physiology.gas_exchange import CO2_FACTOR, ML_PER_L
from service.physiology.oxygen import SEA_LEVEL_MMHG, WATER_VAPOUR_MMHG, saturation

#: mmHg for a share of one STPD part in a BTPS volume.
_MMHG = CO2_FACTOR * ML_PER_L
_DRY_MMHG = SEA_LEVEL_MMHG - WATER_VAPOUR_MMHG
_DT_S = GAS_STEP_MS / 1000.0
_S_PER_MIN = 60.0
_ROOM_AIR = 0.21
#: Saturation lost to blood that passes the lung unaired: 6 % of it, 25 % desaturated (our
#: choice for a healthy recumbent animal, no source).
_ADMIXTURE = 0.06 * 0.25
#: Blood that passes unaired comes back this much less saturated than it went out.
_DESATURATED = 0.25
#: Below this alveolar PO2 the blood can no longer take all it needs.
_UPTAKE_FALLS_MMHG = 20.0
#: Volume of the sensor's chamber, as a share of the dead space.
_CHAMBER_SHARE = 0.25
#: Gas counts as moving when it would pass this share of the dead space in one second.
_MOVING_SHARE = 0.3
#: The first alveolar gas of a breath over the last: the slope of the plateau.
_PLATEAU_START = 0.93
_PLATEAU_TAU_S = 0.4
_WASH_TAU_S = 0.5
_DISCONNECTED_TAU_S = 0.06


class Gas:
    """The gas stores of one animal, moved on by `tick` every 5 ms."""

    def __init__(self, spec: PlaceSpec) -> None:
        lung, gas = spec.lung, spec.gas
        self._dead_space = lung.dead_space_ml
        self._alveolar_base = lung.residual_ml - lung.dead_space_ml
        self._output = gas.co2_output_ml_per_min / _S_PER_MIN
        self._uptake = gas.oxygen_uptake_ml_per_min / _S_PER_MIN
        self._store = gas.co2_store_ml_per_mmhg_per_kg * spec.patient.mass_kg
        self._exchange = self._output / gas.co2_gradient_mmhg  # mL/s per mmHg
        self._inspired_o2 = gas.inspired_oxygen * _DRY_MMHG
        self._p50 = spec.p50_mmhg
        self._hold_s = spec.monitor.co2_hold_s
        self._chamber = _CHAMBER_SHARE * lung.dead_space_ml
        self._moving = _MOVING_SHARE * lung.dead_space_ml * _DT_S
        self.perfusion = 1.0
        self.shunt = 0.0
        #: Of what is breathed in beyond the dead space, the share that was breathed out before.
        self.rebreathed = 0.0
        #: While true the blood store is held, to find the settled state.
        self.held = False
        self._volume = 0.0
        self.blood_co2 = 45.0
        self.alveolar_co2 = 40.0
        self._co2 = self.alveolar_co2 * self._alveolar_base / _MMHG
        self.alveolar_o2 = max(0.0, self._inspired_o2 - 60.0)
        self._o2 = self.alveolar_o2 * self._alveolar_base / _MMHG
        self._plug_ml = lung.dead_space_ml
        self._plug_co2 = self.alveolar_co2
        self._plug_o2 = self.alveolar_o2
        self._still_s = 0.0
        self._expired_co2 = self.alveolar_co2
        #: CO2 at the sensor, before the analyser's lag.
        self.sensor_co2 = 0.0
        #: CO2 that has left the lung for good, in mL.
        self.eliminated_ml = 0.0

    @property
    def saturation(self) -> float:
        """Arterial oxygen saturation, 0 to 1."""
        # From S = (1 - s) Sc + s (S - D), with Sc after the lung and s unaired.
        unaired = _DESATURATED * self.shunt / max(1.0 - self.shunt, 1e-3)
        return max(0.0, saturation(self.alveolar_o2, self._p50) - _ADMIXTURE - unaired)

    @property
    def inspired_oxygen(self) -> float:
        """The share of oxygen in the fresh gas."""
        return self._inspired_o2 / _DRY_MMHG

    @inspired_oxygen.setter
    def inspired_oxygen(self, share: float) -> None:
        self._inspired_o2 = share * _DRY_MMHG

    @property
    def inspired_co2(self) -> float:
        """CO2 in the gas that is breathed in beyond the dead space, in mmHg."""
        return self.rebreathed * self._expired_co2

    def scale_co2(self, factor: float) -> None:
        """Multiply all CO2 by `factor`: with the blood held, the stores are proportional."""
        self.blood_co2 *= factor
        self.alveolar_co2 *= factor
        self._co2 *= factor
        self._plug_co2 *= factor
        self._expired_co2 *= factor
        self.sensor_co2 *= factor

    def tick(self, volume_ml: float, disconnected: bool) -> None:
        """Move on by 5 ms to a lung volume of `volume_ml` over rest."""
        moved = volume_ml - self._volume
        self._volume = volume_ml
        alveolar_out = False
        if moved > 0.0:
            self._breathe_in(moved, disconnected)
        elif moved < 0.0:
            alveolar_out = self._plug_ml >= self._dead_space
            self._breathe_out(-moved)
        self._exchange_with_blood()
        space = max(self._alveolar_base + volume_ml, 0.1 * self._alveolar_base)
        self.alveolar_co2 = self._co2 * _MMHG / space
        self.alveolar_o2 = self._o2 * _MMHG / space
        self._pass_sensor(moved, alveolar_out, disconnected)

    def _breathe_in(self, volume_ml: float, disconnected: bool) -> None:
        back = min(volume_ml, self._plug_ml)
        fresh_o2 = _ROOM_AIR * _DRY_MMHG if disconnected else self._inspired_o2
        self._plug_ml -= back
        self._co2 += back * self._plug_co2 / _MMHG
        self.eliminated_ml -= back * self._plug_co2 / _MMHG
        fresh = volume_ml - back
        again = fresh * self.inspired_co2 / _MMHG
        self._co2 += again
        self.eliminated_ml -= again
        fresh_o2 -= self.rebreathed * (fresh_o2 - self._plug_o2)
        self._o2 += (back * self._plug_o2 + fresh * fresh_o2) / _MMHG

    def _breathe_out(self, volume_ml: float) -> None:
        out = volume_ml * self.alveolar_co2 / _MMHG
        self._co2 -= out
        self.eliminated_ml += out
        self._o2 -= volume_ml * self.alveolar_o2 / _MMHG
        # The column is kept as its mean: what enters mixes in, what overflows has left.
        self._plug_ml = min(self._dead_space, self._plug_ml + volume_ml)
        share = min(1.0, volume_ml / self._plug_ml)
        self._plug_co2 += (self.alveolar_co2 - self._plug_co2) * share
        self._plug_o2 += (self.alveolar_o2 - self._plug_o2) * share

    def _exchange_with_blood(self) -> None:
        flow = self._exchange * self.perfusion * (self.blood_co2 - self.alveolar_co2) * _DT_S
        self._co2 += flow
        if not self.held:
            self.blood_co2 += (self._output * _DT_S - flow) / self._store
        supply = min(1.0, self.alveolar_o2 / _UPTAKE_FALLS_MMHG) * self.perfusion
        self._o2 = max(0.0, self._o2 - self._uptake * supply * _DT_S)

    def _pass_sensor(self, moved_ml: float, alveolar_out: bool, disconnected: bool) -> None:
        if disconnected:
            self.sensor_co2 *= math.exp(-_DT_S / _DISCONNECTED_TAU_S)
        elif abs(moved_ml) > self._moving:
            self._still_s = 0.0
            gas = self.inspired_co2
            if alveolar_out:
                self._expired_co2 = self.alveolar_co2
                gas = _PLATEAU_START * self.alveolar_co2
            share = abs(moved_ml) / (self._chamber + abs(moved_ml))
            self.sensor_co2 += (gas - self.sensor_co2) * share
        else:
            self._still_s += _DT_S
            if self._still_s > self._hold_s:
                self.sensor_co2 -= self.sensor_co2 * _DT_S / _WASH_TAU_S
            elif self.sensor_co2 > 0.5 * self._expired_co2:
                # Late emptying and mixing lift the standing gas towards the last alveolar gas.
                self.sensor_co2 += (self._expired_co2 - self.sensor_co2) * _DT_S / _PLATEAU_TAU_S
