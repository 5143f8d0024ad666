"""Facts of who lies here and of what is set."""

from __future__ import annotations

from typing import Final

from rules.vocabulary.fact import Fact, Kind, label

CLASSES: Final = ("mammal", "bird", "reptile", "amphibian")
PHASES: Final = ("preparation", "induction", "maintenance", "weaning", "recovery", "transfer")
MODES: Final = ("controlled", "spontaneous", "standby")

PATIENT: Final = (
    label("patient.class", "class of the animal", "patient", CLASSES),
    label("patient.species", "species of the animal", "patient"),
    label("patient.phase", "phase of the anaesthetic", "patient", PHASES),
    Fact(
        "patient.mass_known",
        "the body mass is known",
        "patient",
        kind=Kind.FLAG,
        unit="",
    ),
    Fact(
        "patient.doubtful",
        "chest and pulse both say an animal of quite another size",
        "patient",
        kind=Kind.FLAG,
        unit="",
    ),
    Fact("patient.mass", "body mass", "patient", unit="kg", low=0.003, high=150.0, digits=2),
)
SETTINGS: Final = (
    label("settings.mode", "confirmed mode of the ventilator", "settings", MODES),
    Fact(
        "settings.pip_target",
        "target pressure that ends the inflation",
        "settings",
        unit="cm[H2O]",
        high=60.0,
        digits=1,
    ),
    Fact("settings.te_set", "set expiratory time", "settings", unit="s", high=60.0, digits=1),
    Fact("settings.fresh_gas_flow", "fresh gas flow", "settings", unit="mL/min", high=20000.0),
    Fact(
        "settings.peep_set",
        "set positive end-expiratory pressure",
        "settings",
        unit="cm[H2O]",
        high=25.0,
        digits=1,
    ),
    Fact(
        "settings.flow_per_kg",
        "fresh gas flow per body mass",
        "settings",
        unit="mL/kg/min",
        high=20000.0,
    ),
    Fact(
        "settings.apparatus_dead_space",
        "dead space of tube and adapters",
        "settings",
        unit="mL",
        high=500.0,
        digits=1,
    ),
    Fact(
        "settings.pip_target_jump",
        "the last change of the target pressure, within two minutes",
        "settings",
        unit="cm[H2O]",
        low=-60.0,
        high=60.0,
        digits=1,
    ),
    Fact(
        "settings.te_set_jump",
        "set expiratory time over what it was before its last change, within two minutes",
        "settings",
        high=1000.0,
        digits=2,
    ),
    Fact(
        "settings.fresh_gas_flow_jump",
        "fresh gas flow over what it was before its last change, within two minutes",
        "settings",
        high=1000.0,
        digits=1,
    ),
    Fact(
        "settings.mode_for",
        "time since the mode last changed",
        "settings",
        unit="s",
        high=1e7,
    ),
    Fact(
        "settings.unchanged_for",
        "time since a setting last changed",
        "settings",
        unit="s",
        high=1e7,
    ),
)
