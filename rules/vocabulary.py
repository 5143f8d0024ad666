"""The catalogue of facts: everything that a rule may ask about a place.

A fact has a UCUM unit, a kind, a plausible range and a producer. The service computes facts for
one moment; a value outside the plausible range is treated as unknown, with that as its reason.
Time windows are facts of their own (`breath.count_60s`), so a rule only compares.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Kind(StrEnum):
    """What sort of value a fact holds."""

    NUMBER = "number"
    FLAG = "flag"
    LABEL = "label"


@dataclass(frozen=True, slots=True)
class Fact:
    """One entry of the catalogue. `low` and `high` bound what is plausible, in `unit`."""

    name: str
    meaning: str
    producer: str
    kind: Kind = Kind.NUMBER
    unit: str = "1"
    low: float = 0.0
    high: float = 1e6
    labels: tuple[str, ...] = ()
    digits: int = 0


def _label(name: str, meaning: str, producer: str, labels: tuple[str, ...] = ()) -> Fact:
    return Fact(name, meaning, producer, kind=Kind.LABEL, unit="", labels=labels)


def _interval(
    name: str, meaning: str, producer: str, unit: str, high: float, digits: int = 1
) -> tuple[Fact, Fact]:
    """The ends of a fact's 90 % interval."""
    ends = (("low", "low"), ("high", "high"))
    low, top = (
        Fact(f"{name}_{end}", f"{meaning}: the {words} end of what it may be", producer,
             unit=unit, high=high, digits=digits)
        for end, words in ends
    )  # fmt: skip
    return low, top


CLASSES: Final = ("mammal", "bird", "reptile", "amphibian")
PHASES: Final = ("preparation", "induction", "maintenance", "weaning", "recovery", "transfer")
MODES: Final = ("controlled", "spontaneous", "standby")
SUPPLIES: Final = ("mains", "battery")
BREATH_KINDS: Final = ("ventilator", "spontaneous", "assisted", "hand", "artefact")
VOLUME_METHODS: Final = ("flow-and-time", "flow-wave")
CAUSES: Final = (
    "none", "compliance-down", "compliance-up", "resistance-up", "resistance-down", "leak",
    "less-leak", "flow", "occlusion", "disconnection", "exhalation-blocked", "unclear",
)  # fmt: skip
CO2_COURSES: Final = ("washout", "sudden-loss", "gradual", "steady", "varying")
CO2_BASELINES: Final = ("clear", "rebreathing", "offset", "unclear")
CO2_WAVEFORMS: Final = ("moving", "no-co2", "standing", "blocked", "frozen", "saturated")

_PATIENT = (
    _label("patient.class", "class of the animal", "patient", CLASSES),
    _label("patient.species", "species of the animal", "patient"),
    _label("patient.phase", "phase of the anaesthetic", "patient", PHASES),
    Fact("patient.mass", "body mass", "patient", unit="kg", low=0.003, high=150.0, digits=2),
)
_SETTINGS = (
    _label("settings.mode", "confirmed mode of the ventilator", "settings", MODES),
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
        "settings.unchanged_for",
        "time since a setting last changed",
        "settings",
        unit="s",
        high=1e7,
    ),
)
_PRESSURE = (
    Fact(
        "paw.pip",
        "peak inspiratory pressure of the last inflation",
        "breaths",
        unit="cm[H2O]",
        low=-20.0,
        high=120.0,
        digits=1,
    ),
    Fact(
        "paw.pip_median_5",
        "median peak pressure of the last five inflations",
        "breaths",
        unit="cm[H2O]",
        low=-20.0,
        high=120.0,
        digits=1,
    ),
    Fact(
        "paw.pip_over_target",
        "peak pressure of the last inflation less the target",
        "breaths",
        unit="cm[H2O]",
        low=-60.0,
        high=120.0,
        digits=1,
    ),
    Fact(
        "paw.baseline",
        "baseline airway pressure before the last inflation",
        "breaths",
        unit="cm[H2O]",
        low=-20.0,
        high=60.0,
        digits=1,
    ),
    Fact(
        "paw.mean",
        "mean airway pressure of the last whole breath",
        "breaths",
        unit="cm[H2O]",
        low=-20.0,
        high=80.0,
        digits=1,
    ),
    Fact(
        "paw.max_10s",
        "highest airway pressure in the last 10 s",
        "breaths",
        unit="cm[H2O]",
        low=-40.0,
        high=150.0,
        digits=1,
    ),
    Fact(
        "paw.max_5s",
        "highest airway pressure in the last 5 s",
        "breaths",
        unit="cm[H2O]",
        low=-40.0,
        high=150.0,
        digits=1,
    ),
    Fact(
        "paw.max_10s_over_target",
        "highest airway pressure in the last 10 s less the target",
        "breaths",
        unit="cm[H2O]",
        low=-60.0,
        high=150.0,
        digits=1,
    ),
    Fact(
        "paw.sustained",
        "time that pressure has now stayed up without release",
        "breaths",
        unit="s",
        high=1e5,
        digits=1,
    ),
    Fact(
        "paw.driving",
        "peak less baseline pressure of the last inflation",
        "breaths",
        unit="cm[H2O]",
        high=120.0,
        digits=1,
    ),
    Fact(
        "paw.coverage_10s",
        "share of the last 10 s in which airway pressure was received",
        "breaths",
        high=1.0,
        digits=2,
    ),
)
_BREATHS = (
    Fact(
        "breath.ti",
        "inspiratory time of the last inflation",
        "breaths",
        unit="s",
        high=30.0,
        digits=2,
    ),
    Fact(
        "breath.te",
        "expiratory time before the last inflation",
        "breaths",
        unit="s",
        high=600.0,
        digits=2,
    ),
    Fact(
        "breath.rr",
        "respiratory rate, median of the last five breaths",
        "breaths",
        unit="/min",
        high=400.0,
    ),
    Fact(
        "breath.ie",
        "expiratory time for one unit of inspiratory time (the x of 1:x)",
        "breaths",
        high=1000.0,
        digits=1,
    ),
    Fact("breath.count_60s", "inflations begun in the last 60 s", "breaths", high=400.0),
    Fact("breath.since", "time since the last inflation began", "breaths", unit="s", high=1e7),
    Fact(
        "breath.overdue",
        "time since the last inflation began over the usual time between two",
        "breaths",
        high=1e7,
        digits=1,
    ),
    Fact(
        "ti.baseline",
        "inspiratory time learnt while settings stood still",
        "baseline",
        unit="s",
        high=30.0,
        digits=2,
    ),
    Fact(
        "ti.ratio_to_baseline",
        "inspiratory time, median of three, over its baseline",
        "baseline",
        high=100.0,
        digits=2,
    ),
    Fact(
        "slope.ratio_to_baseline",
        "steepness of the pressure rise over its baseline",
        "baseline",
        high=100.0,
        digits=2,
    ),
    Fact(
        "step.over_baseline",
        "change of the pressure step at the start of the inflation",
        "baseline",
        unit="cm[H2O]",
        low=-60.0,
        high=60.0,
        digits=1,
    ),
    Fact(
        "volume.tidal",
        "tidal volume from fresh gas flow, inspiratory time and circuit",
        "volume",
        unit="mL",
        high=5000.0,
        digits=1,
    ),
    Fact(
        "volume.per_kg",
        "that tidal volume per body mass",
        "volume",
        unit="mL/kg",
        high=200.0,
        digits=1,
    ),
    Fact(
        "volume.ratio_to_baseline",
        "that tidal volume over its baseline",
        "volume",
        high=100.0,
        digits=2,
    ),
    Fact(
        "breathing.since",
        "time since any breath, seen in pressure or in CO2",
        "breaths",
        unit="s",
        high=1e7,
    ),
    _label("breath.kind", "kind of the last inflation", "breaths", BREATH_KINDS),
    Fact(
        "breath.quality",
        "how well the last inflation could be read, from 0 to 1",
        "breaths",
        high=1.0,
        digits=2,
    ),
    Fact(
        "breath.step",
        "pressure step at the start of the last inflation (about resistance times flow)",
        "breaths",
        unit="cm[H2O]",
        low=-20.0,
        high=60.0,
        digits=1,
    ),
    Fact(
        "breath.slope",
        "steepness of the pressure rise in the last inflation",
        "breaths",
        unit="cm[H2O]/s",
        high=2000.0,
        digits=1,
    ),
    Fact(
        "breath.bend",
        "steepness at the end of the rise over that at its start: under 1 where gas leaks",
        "breaths",
        low=-20.0,
        high=20.0,
        digits=2,
    ),
    Fact(
        "breath.time_to_target",
        "time from the start of the last inflation until the target was reached",
        "breaths",
        unit="s",
        high=30.0,
        digits=2,
    ),
    Fact(
        "breath.area",
        "pressure over the baseline, summed over the inspiratory time",
        "breaths",
        unit="cm[H2O].s",
        high=2000.0,
        digits=1,
    ),
    Fact(
        "breath.effort",
        "depth of an effort that started the last inflation or pulled against it",
        "breaths",
        unit="cm[H2O]",
        high=60.0,
        digits=1,
    ),
    Fact(
        "breath.efforts_60s",
        "efforts of the animal's own in the last 60 s that started no inflation",
        "breaths",
        high=400.0,
    ),
    Fact(
        "breath.unfinished",
        "how far pressure still fell late in the last expiration: a sign of auto-PEEP",
        "breaths",
        unit="cm[H2O]",
        high=60.0,
        digits=1,
    ),
    _label("volume.method", "how the tidal volume is known", "volume", VOLUME_METHODS),
    *_interval("volume.tidal", "tidal volume", "volume", "mL", 5000.0),
    *_interval("volume.per_kg", "tidal volume per body mass", "volume", "mL/kg", 200.0),
    Fact(
        "lung.compliance",
        "compliance of the respiratory system from flow and the pressure rise",
        "volume",
        unit="mL/cm[H2O]",
        high=1000.0,
        digits=2,
    ),
    *_interval("lung.compliance", "compliance", "volume", "mL/cm[H2O]", 1000.0, 2),
    Fact(
        "lung.resistance",
        "resistance of tube and airway from flow and the pressure step",
        "volume",
        unit="cm[H2O].s/L",
        high=1e5,
    ),
    *_interval("lung.resistance", "resistance", "volume", "cm[H2O].s/L", 1e5),
    _label("change.cause", "what has most likely changed since the baseline", "changes", CAUSES),
    Fact("change.confidence", "how sure that is, from 0 to 1", "changes", high=1.0, digits=2),
    Fact(
        "change.factor",
        "by what factor it has changed; of a leak the share of gas lost at the peak",
        "changes",
        high=1000.0,
        digits=2,
    ),
    _label("change.second", "the next likely cause", "changes", CAUSES),
    Fact("change.lasts", "time since the change was seen", "changes", unit="s", high=1e7),
)
_CO2 = (
    Fact("etco2", "end-tidal CO2 of the last breath", "capnogram", unit="mm[Hg]", high=200.0),
    Fact(
        "etco2.min_30s",
        "lowest end-tidal CO2 in the last 30 s",
        "capnogram",
        unit="mm[Hg]",
        high=200.0,
    ),
    Fact(
        "etco2.falls_in_a_row",
        "breaths in a row, each with end-tidal CO2 well under the last",
        "capnogram",
        high=1000.0,
    ),
    Fact(
        "etco2.fall_of_run",
        "how far end-tidal CO2 has come down over that run, as a share",
        "capnogram",
        high=1.0,
        digits=2,
    ),
    Fact(
        "etco2.ratio_to_baseline",
        "end-tidal CO2 over its baseline",
        "baseline",
        high=100.0,
        digits=2,
    ),
    Fact("fico2", "inspired CO2 of the last breath", "capnogram", unit="mm[Hg]", high=150.0),
    Fact(
        "co2.rr",
        "respiratory rate seen in CO2, median of the last five",
        "capnogram",
        unit="/min",
        high=400.0,
    ),
    Fact(
        "co2.since_breath",
        "time since CO2 last rose and fell as a breath does",
        "capnogram",
        unit="s",
        high=1e7,
    ),
    Fact(
        "co2.max_10s",
        "highest CO2 in the last 10 s",
        "capnogram",
        unit="mm[Hg]",
        low=-5.0,
        high=200.0,
    ),
    Fact(
        "co2.swing_10s",
        "highest less lowest CO2 in the last 10 s",
        "capnogram",
        unit="mm[Hg]",
        high=200.0,
    ),
    Fact(
        "etco2.corrected",
        "end-tidal CO2 with lag and dilution of the analyser estimated away: the middle",
        "capnometry",
        unit="mm[Hg]",
        high=400.0,
    ),
    Fact(
        "etco2.corrected_low",
        "that estimate, low end of its 90 % interval",
        "capnometry",
        unit="mm[Hg]",
        high=400.0,
    ),
    Fact(
        "etco2.corrected_high",
        "that estimate, high end of its 90 % interval",
        "capnometry",
        unit="mm[Hg]",
        high=400.0,
    ),
    Fact(
        "etco2.diluted",
        "lag and dilution are expected to hide more than a tenth of end-tidal CO2",
        "capnometry",
        kind=Kind.FLAG,
        unit="",
    ),
    _label(
        "co2.course",
        "course of end-tidal CO2 over the last breaths",
        "capnogram",
        CO2_COURSES,
    ),
    Fact(
        "co2.washout_ratio",
        "what a breath leaves of end-tidal CO2 of the one before, by a line in the logarithm",
        "capnogram",
        high=1000.0,
        digits=2,
    ),
    Fact(
        "co2.washout_ratio_low",
        "that ratio, low end of its 90 % interval",
        "capnogram",
        high=1000.0,
        digits=2,
    ),
    Fact(
        "co2.washout_ratio_high",
        "that ratio, high end of its 90 % interval",
        "capnogram",
        high=1e6,
        digits=2,
    ),
    Fact(
        "co2.expired_time",
        "from the rise of CO2 to its fall in the last breath",
        "capnogram",
        unit="s",
        high=600.0,
        digits=2,
    ),
    Fact(
        "co2.plateau",
        "the last breath has a plateau",
        "capnogram",
        kind=Kind.FLAG,
        unit="",
    ),
    Fact(
        "co2.plateau_time",
        "how long the plateau of the last breath lasts",
        "capnogram",
        unit="s",
        high=600.0,
        digits=2,
    ),
    Fact(
        "co2.plateau_slope",
        "slope of the plateau of the last breath",
        "capnogram",
        unit="mm[Hg]/s",
        low=-1000.0,
        high=1000.0,
        digits=1,
    ),
    Fact(
        "co2.notch_depth",
        "depth of a notch in the plateau of the last breath (0 without one)",
        "capnogram",
        unit="mm[Hg]",
        high=200.0,
        digits=1,
    ),
    Fact(
        "co2.notches_60s",
        "breaths with a notch in the plateau in the last 60 s",
        "capnogram",
        high=400.0,
    ),
    Fact(
        "co2.ripple",
        "height of steps at the pulse on the plateau of the last breath (0 without them)",
        "capnogram",
        unit="mm[Hg]",
        high=200.0,
        digits=1,
    ),
    Fact(
        "co2.quality",
        "how far the last breath in CO2 may be trusted, from 0 to 1",
        "capnogram",
        high=1.0,
        digits=2,
    ),
    _label(
        "co2.baseline",
        "inspired CO2 over the last breaths: clear, rebreathing, or the analyser's zero is off",
        "capnogram",
        CO2_BASELINES,
    ),
    _label("co2.waveform", "what the CO2 signal does", "capnogram", CO2_WAVEFORMS),
    Fact(
        "co2.frozen_for",
        "time that CO2 has been the same to the last digit, off zero",
        "capnogram",
        unit="s",
        high=1e7,
    ),
    Fact(
        "co2.agreement",
        "share of the inflations of the last 30 s that a breath in CO2 followed",
        "agreement",
        high=1.0,
        digits=2,
    ),
    Fact(
        "co2.missing_for_inflations",
        "inflations of the last 30 s that no breath in CO2 followed",
        "agreement",
        high=400.0,
    ),
    Fact(
        "co2.breaths_without_pressure",
        "breaths in CO2 of the last 30 s that no inflation made",
        "agreement",
        high=400.0,
    ),
    Fact(
        "co2.delay",
        "from the end of the inflation to the rise of CO2, median",
        "agreement",
        unit="s",
        low=-5.0,
        high=10.0,
        digits=2,
    ),
)
_MONITOR = (
    Fact("spo2", "pulse oximeter saturation", "numerics", unit="%", high=100.0),
    Fact(
        "spo2.slope_60s",
        "how fast saturation rises (falls when below zero), as shown 8 to 20 s late",
        "vitals",
        unit="%/min",
        low=-6000.0,
        high=6000.0,
        digits=1,
    ),
    Fact(
        "spo2.doubtful",
        "the pulse rate that comes with saturation is implausible, or has stuck",
        "vitals",
        kind=Kind.FLAG,
        unit="",
    ),
    Fact(
        "spo2.late_sign",
        "on fresh gas, taken for oxygen: a normal saturation says nothing of ventilation",
        "vitals",
        kind=Kind.FLAG,
        unit="",
    ),
    Fact(
        "spo2.po2_equivalent",
        "arterial PO2 that saturation stands for in this mammal, at pH 7.4",
        "vitals",
        unit="mm[Hg]",
        high=760.0,
    ),
    Fact(
        "spo2.po2_equivalent_low",
        "that PO2, the low end of what it may be",
        "vitals",
        unit="mm[Hg]",
        high=760.0,
    ),
    Fact(
        "spo2.po2_equivalent_high",
        "that PO2, the high end of what it may be",
        "vitals",
        unit="mm[Hg]",
        high=760.0,
    ),
    Fact("pulse_rate", "pulse rate", "numerics", unit="/min", low=1.0, high=1500.0),
    Fact("temperature", "body temperature", "numerics", unit="Cel", low=0.0, high=50.0, digits=1),
)
_POWER = (
    _label("power.supply", "what the ventilator runs on", "power", SUPPLIES),
    Fact("battery.charge", "battery charge", "power", unit="%", high=100.0),
    Fact(
        "battery.minutes_left",
        "minutes until the battery is empty at the present draw",
        "power",
        unit="min",
        high=1e5,
    ),
    Fact(
        "battery.minutes_left_low",
        "minutes until the battery is empty, the low end of what they may be",
        "power",
        unit="min",
        high=1e5,
    ),
    Fact(
        "battery.gauge_doubtful",
        "the charge gauge contradicts what is drawn, or has leapt or stuck",
        "power",
        kind=Kind.FLAG,
        unit="",
    ),
    Fact(
        "journey.leaves_in",
        "minutes until the planned journey leaves",
        "journey",
        unit="min",
        low=-1e5,
        high=1e5,
    ),
    Fact(
        "journey.minutes_needed",
        "minutes of battery the journey needs, with its margin",
        "journey",
        unit="min",
        high=1e5,
    ),
    Fact(
        "journey.spare_minutes",
        "minutes of battery left beyond what the journey needs",
        "journey",
        unit="min",
        low=-1e5,
        high=1e5,
    ),
)
_DATA = (
    Fact(
        "data.any_age",
        "time since anything was received from this place",
        "intake",
        unit="s",
        high=1e7,
    ),
    Fact("data.paw_age", "time since airway pressure was received", "intake", unit="s", high=1e7),
    Fact("data.co2_age", "time since CO2 was received", "intake", unit="s", high=1e7),
    Fact("data.spo2_age", "time since saturation was received", "intake", unit="s", high=1e7),
    Fact("data.lost_60s", "messages found missing in the last 60 s", "intake", high=1e7),
    Fact("data.refused_60s", "messages refused in the last 60 s", "intake", high=1e7),
    Fact(
        "data.clock_skew",
        "how far the device's clock is from ours (device behind is positive)",
        "intake",
        unit="s",
        low=-1e9,
        high=1e9,
        digits=1,
    ),
)

CATALOGUE: Final[Mapping[str, Fact]] = {
    fact.name: fact
    for group in (_PATIENT, _SETTINGS, _PRESSURE, _BREATHS, _CO2, _MONITOR, _POWER, _DATA)
    for fact in group
}
