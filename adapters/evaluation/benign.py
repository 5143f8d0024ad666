"""What happens all the time in theatre and must not be advised on.

The numbers are common practice, no source. None of these lasts long enough, or goes far enough,
to be one of the conditions of `truth_kinds`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Any, Final

from adapters.evaluation.animals import Healthy, expected_volume_ml

Events = tuple[dict[str, Any], ...]
_S_PER_MIN: Final = 60.0
_MOST_EMPTIED: Final = 0.35


@dataclass(frozen=True, slots=True)
class Setting:
    """What a happening is drawn from: the animal, when, and what its compliance now is."""

    animal: Healthy
    at_s: float
    random: Random
    compliance: float


@dataclass(frozen=True, slots=True)
class Benign:
    """One kind of happening. It is over `lasts_s` after its start, apart from what it leaves."""

    id: str
    title: str
    draw: Callable[[Setting], tuple[Events, float]]
    weight: float = 1.0


def _held(at: Setting, cmh2o: float) -> float:
    """No push empties more than a part of what is in the lung at rest: airways close."""
    lung = at.animal.lung
    resting_ml = lung.residual_ml - lung.dead_space_ml
    return min(cmh2o, _MOST_EMPTIED * resting_ml / lung.compliance_ml_per_cmh2o)


def _position(at: Setting) -> tuple[Events, float]:
    """The patient is turned: pressure swings, and the chest is a little softer or stiffer then."""
    change = at.random.uniform(0.05, 0.10) * at.random.choice((-1.0, 1.0))
    return (
        {"kind": "push", "at_s": at.at_s, "cmh2o": _held(at, at.random.uniform(2.0, 6.0)),
         "for_s": at.random.uniform(1.0, 2.5)},
        {"kind": "noise", "at_s": at.at_s, "for_s": 2.0, "paw_cmh2o": 0.6},
        {"kind": "compliance", "at_s": at.at_s, "factor": at.compliance * (1.0 + change),
         "over_s": 2.0},
    ), 3.0  # fmt: skip


def _suction(at: Setting) -> tuple[Events, float]:
    """Off, a catheter down, and on again within 5 s."""
    lasts = at.random.uniform(2.5, 5.0)
    return (
        {"kind": "disconnect", "at_s": at.at_s},
        {"kind": "reconnect", "at_s": at.at_s + lasts},
    ), lasts


def _closed_suction(at: Setting) -> tuple[Events, float]:
    """A catheter through a port draws more than flows in, and pressure falls under zero."""
    animal = at.animal
    lasts = at.random.uniform(1.5, 4.0)
    flow = animal.settings.fresh_gas_flow_ml_per_min / _S_PER_MIN
    stiff = animal.lung.compliance_ml_per_cmh2o + animal.circuit.compliance_ml_per_cmh2o
    drawn = flow + _held(at, at.random.uniform(3.0, 8.0)) * stiff / lasts
    return ({"kind": "suction", "at_s": at.at_s, "ml_per_s": drawn, "for_s": lasts},), lasts


def _lean(at: Setting) -> tuple[Events, float]:
    """An arm on the chest for a breath or two."""
    animal = at.animal
    breath = animal.settings.te_set_s + 0.5
    lasts = min(9.0, breath * at.random.uniform(1.0, 2.0))
    push = _held(at, at.random.uniform(0.3, 0.6) * animal.settings.pip_target_cmh2o)
    return ({"kind": "push", "at_s": at.at_s, "cmh2o": push, "for_s": lasts},), lasts


def _cautery(at: Setting) -> tuple[Events, float]:
    lasts = at.random.uniform(2.0, 6.0)
    return (
        {"kind": "noise", "at_s": at.at_s, "for_s": lasts,
         "paw_cmh2o": at.random.uniform(0.3, 1.2), "co2_mmhg": at.random.uniform(0.5, 2.0)},
    ), lasts  # fmt: skip


def _rate(at: Setting) -> tuple[Events, float]:
    te_s = round(at.animal.settings.te_set_s * at.random.uniform(0.8, 1.3), 2)
    return ({"kind": "settings", "at_s": at.at_s, "te_set_s": te_s},), 1.0


def _target(at: Setting) -> tuple[Events, float]:
    settings = at.animal.settings
    target = settings.pip_target_cmh2o + at.random.choice((-1.0, 1.0, 1.5))
    target = max(target, settings.peep_cmh2o + 5.0)
    return ({"kind": "settings", "at_s": at.at_s, "pip_target_cmh2o": target},), 1.0


def _flow(at: Setting) -> tuple[Events, float]:
    flow = at.animal.settings.fresh_gas_flow_ml_per_min * at.random.uniform(0.8, 1.4)
    return (
        {"kind": "settings", "at_s": at.at_s, "fresh_gas_flow_ml_per_min": float(round(flow))},
    ), 1.0


def _mode(at: Setting) -> tuple[Events, float]:
    """The team stops the ventilator for a look, and lets it go on."""
    lasts = at.random.uniform(4.0, 8.0)
    return (
        {"kind": "settings", "at_s": at.at_s, "mode": "spontaneous"},
        {"kind": "settings", "at_s": at.at_s + lasts, "mode": "controlled"},
    ), lasts


def _dropout(at: Setting) -> tuple[Events, float]:
    sensor = at.random.choice(("paw", "co2", "spo2"))
    lasts = at.random.uniform(2.0, 4.0)
    return (
        {"kind": "sensor-off", "at_s": at.at_s, "sensor": sensor},
        {"kind": "sensor-on", "at_s": at.at_s + lasts, "sensor": sensor},
    ), lasts


def _zeroing(at: Setting) -> tuple[Events, float]:
    return (
        {"kind": "sensor-off", "at_s": at.at_s, "sensor": "co2", "status": "warming-up"},
        {"kind": "sensor-on", "at_s": at.at_s + 10.0, "sensor": "co2"},
    ), 10.0


def _cough(at: Setting) -> tuple[Events, float]:
    push = _held(at, at.random.uniform(6.0, 20.0))
    lasts = at.random.uniform(0.15, 0.5)
    return ({"kind": "push", "at_s": at.at_s, "cmh2o": push, "for_s": lasts},), lasts


def _by_hand(at: Setting) -> tuple[Events, float]:
    """A thumb on the open limb of the T-piece: fresh gas inflates until it is taken off."""
    animal = at.animal
    ti_s = expected_volume_ml(animal.settings, animal.circuit, animal.lung)[1]
    lasts = round(at.random.uniform(0.7, 1.0) * ti_s, 2)
    return (
        {"kind": "block-exhalation", "at_s": at.at_s},
        {"kind": "free-exhalation", "at_s": at.at_s + lasts},
    ), lasts


def _block_lost(at: Setting) -> tuple[Events, float]:
    return ({"kind": "silent", "at_s": at.at_s, "for_s": 0.9, "lost": True},), 1.0


HAPPENINGS: Final = (
    Benign("position", "Position changed", _position, 1.5),
    Benign("suction", "Suction, circuit off for up to 5 s", _suction, 1.5),
    Benign("closed-suction", "Suction through a port", _closed_suction),
    Benign("lean", "Leaned on for a breath or two", _lean, 1.5),
    Benign("cautery", "Cautery noise", _cautery, 1.5),
    Benign("rate-changed", "Team changes the rate", _rate),
    Benign("target-changed", "Team changes the target", _target),
    Benign("flow-changed", "Team changes the flow", _flow),
    Benign("mode-changed", "Team stops the ventilator for some seconds", _mode, 0.7),
    Benign("dropout", "A sensor drops out for 2 to 4 s", _dropout, 1.5),
    Benign("co2-zeroing", "CO2 zeroes for 10 s", _zeroing),
    Benign("cough", "One cough", _cough, 1.5),
    Benign("by-hand", "One breath by hand", _by_hand),
    Benign("block-lost", "A network block is lost", _block_lost, 1.5),
)
BY_ID: Final = {benign.id: benign for benign in HAPPENINGS}
