"""Animals from mouse to dog, each with its ventilator, for benches of the service."""

from __future__ import annotations

from dataclasses import dataclass

from adapters.simulator.scenario import SettingsSpec


@dataclass(frozen=True)
class Animal:
    """An animal with its ventilator. Compliances are near the lines of Stahl (1967)."""

    name: str
    class_: str
    mass_kg: float
    compliance: float
    resistance: float
    circuit: float
    target: float
    flow_ml_per_s: float
    te_s: float
    peep: float = 0.0

    def settings(self) -> SettingsSpec:
        return SettingsSpec(
            pip_target_cmh2o=self.target,
            te_set_s=self.te_s,
            fresh_gas_flow_ml_per_min=60.0 * self.flow_ml_per_s,
            peep_cmh2o=self.peep,
        )

    @property
    def ti_s(self) -> float:
        """Ti = (C + Cc) (PIP - PEEP - step)/Q with step = R Q (C/(C + Cc))^2 (Bates, 2009)."""
        total = self.compliance + self.circuit
        step = self.resistance / 1000.0 * self.flow_ml_per_s * (self.compliance / total) ** 2
        return total * (self.target - self.peep - step) / self.flow_ml_per_s


ANIMALS = (
    Animal("mouse", "mammal", 0.03, 0.045, 400.0, 0.02, 10.0, 2.6, 0.4),
    Animal("rat", "mammal", 0.3, 0.45, 80.0, 0.06, 11.0, 10.0, 1.4),
    Animal("bird", "bird", 1.0, 1.9, 25.0, 0.12, 9.0, 25.0, 2.2),
    Animal("cat", "mammal", 3.0, 4.9, 15.0, 0.3, 12.0, 60.0, 2.4, peep=2.0),
    Animal("dog", "mammal", 8.0, 13.5, 6.0, 0.8, 11.0, 140.0, 3.0),
)
BY_NAME = {animal.name: animal for animal in ANIMALS}
