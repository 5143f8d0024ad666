"""What may go wrong in a simulated case, and how it is brought about.

A fault writes events of the simulator; how bad it then is, is measured in the simulation (see
`truth`), not taken from the severity drawn. The numbers are our choice, spread so that some are
too mild to be told and some kill.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Any, Final, Literal

from adapters.evaluation.animals import Healthy
from adapters.evaluation.truth_kinds import Kind

Severity = Literal["mild", "moderate", "severe"]
SEVERITIES: Final[tuple[Severity, ...]] = ("mild", "moderate", "severe")
_LEVEL: Final = {"mild": 0, "moderate": 1, "severe": 2}
_ML_PER_L: Final = 1000.0
_S_PER_MIN: Final = 60.0
_W_PER_PERCENT_MIN: Final = 2.2 * 11.1 * 60.0 / 100.0


@dataclass(frozen=True, slots=True)
class Plan:
    """A fault in one case: events, and what differs from the start. Times in s."""

    events: tuple[dict[str, Any], ...]
    mended: tuple[dict[str, Any], ...] = ()
    drive: dict[str, float] | None = None
    power: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Draw:
    """What a fault is drawn from."""

    animal: Healthy
    severity: Severity
    onset_s: float
    random: Random

    def by_severity(self, mild: float, moderate: float, severe: float) -> float:
        """The value of the severity, scattered a little."""
        return (mild, moderate, severe)[_LEVEL[self.severity]] * self.random.uniform(0.93, 1.07)

    def over(self, fastest: float, slowest: float) -> float:
        """A whole number of seconds in which it comes about."""
        return float(round(self.random.uniform(fastest, slowest)))


@dataclass(frozen=True, slots=True)
class Fault:
    """One kind of fault. `names` are the conditions that call it by its name."""

    id: str
    title: str
    names: frozenset[Kind]
    plan: Callable[[Draw], Plan]
    severities: tuple[Severity, ...] = SEVERITIES
    weight: float = 1.0
    #: Slow ones are watched for so much longer (s).
    longer_s: float = 0.0


def _factor(kind: str, factor: float, over_s: float, draw: Draw) -> Plan:
    return Plan(
        ({"kind": kind, "at_s": draw.onset_s, "factor": factor, "over_s": over_s},),
        ({"kind": kind, "factor": 1.0, "over_s": 1.0},),
    )


def _share(kind: str, share: float, over_s: float, draw: Draw) -> Plan:
    return Plan(
        ({"kind": kind, "at_s": draw.onset_s, "share": share, "over_s": over_s},),
        ({"kind": kind, "share": 0.0, "over_s": 1.0},),
    )


def _simple(kind: str, back: str, draw: Draw) -> Plan:
    return Plan(({"kind": kind, "at_s": draw.onset_s},), ({"kind": back},))


def _stiffening(fastest: float, slowest: float) -> Callable[[Draw], Plan]:
    def plan(draw: Draw) -> Plan:
        factor = draw.by_severity(0.76, 0.52, 0.32)
        return _factor("compliance", factor, draw.over(fastest, slowest), draw)

    return plan


def _narrowing(fastest: float, slowest: float) -> Callable[[Draw], Plan]:
    def plan(draw: Draw) -> Plan:
        """The resistive step takes a share of the driving pressure."""
        settings, lung = draw.animal.settings, draw.animal.lung
        flow = settings.fresh_gas_flow_ml_per_min / _S_PER_MIN
        driving = settings.pip_target_cmh2o - settings.peep_cmh2o
        step = flow * lung.resistance_cmh2o_s_per_l / _ML_PER_L
        factor = 1.0 + draw.by_severity(0.15, 0.4, 0.75) * driving / step
        return _factor("resistance", factor, draw.over(fastest, slowest), draw)

    return plan


def _leak(share: tuple[float, float, float], over_s: tuple[float, float]) -> Callable[[Draw], Plan]:
    def plan(draw: Draw) -> Plan:
        """A conductance that takes this share of the flow at the target."""
        settings = draw.animal.settings
        flow = settings.fresh_gas_flow_ml_per_min / _S_PER_MIN
        conductance = draw.by_severity(*share) * flow / settings.pip_target_cmh2o
        event = {"kind": "leak", "at_s": draw.onset_s, "ml_per_s_per_cmh2o": conductance}
        mended = {"kind": "leak", "ml_per_s_per_cmh2o": 0.0}
        return Plan(({**event, "over_s": draw.over(*over_s)},), (mended,))

    return plan


def _auto_peep(draw: Draw) -> Plan:
    """The valve's resistance leaves a share exp(-Te/RC) of the pressure in the lung."""
    animal = draw.animal
    total = animal.lung.compliance_ml_per_cmh2o + animal.circuit.compliance_ml_per_cmh2o
    time_constant = animal.settings.te_set_s / draw.by_severity(2.2, 1.4, 0.8)
    resistance = time_constant / total * _ML_PER_L
    factor = max(1.0, resistance / animal.circuit.valve_resistance_cmh2o_s_per_l)
    return _factor("valve", factor, draw.over(2, 30), draw)


def _rebreathing(draw: Draw) -> Plan:
    return _share("rebreathing", draw.by_severity(0.15, 0.35, 0.65), draw.over(5, 40), draw)


def _dilution(draw: Draw) -> Plan:
    return _share("dilution", draw.by_severity(0.25, 0.5, 0.75), draw.over(1, 10), draw)


def _perfusion(draw: Draw) -> Plan:
    return _factor("perfusion", draw.by_severity(0.5, 0.25, 0.05), draw.over(2, 20), draw)


def _weaning(threshold_over: float) -> Callable[[Draw], Plan]:
    def plan(draw: Draw) -> Plan:
        """The ventilator stops while blood CO2 lies far under what makes the animal breathe."""
        at = draw.onset_s
        events = (
            {"kind": "phase", "at_s": at - 20.0, "phase": "weaning"},
            {"kind": "settings", "at_s": at, "mode": "spontaneous"},
        )
        threshold = draw.by_severity(1.0, 1.6, 3.0) * threshold_over
        back = ({"kind": "settings", "mode": "controlled"},)
        return Plan(events, back, drive={"threshold_over_mmhg": threshold})

    return plan


def _weaning_fails(draw: Draw) -> Plan:
    """It breathes, but so little that CO2 climbs."""
    at = draw.onset_s
    events = (
        {"kind": "phase", "at_s": at - 20.0, "phase": "weaning"},
        {"kind": "settings", "at_s": at, "mode": "spontaneous"},
    )
    lung = draw.animal.lung
    deep = draw.by_severity(1.35, 1.1, 0.9) * lung.dead_space_ml / lung.compliance_ml_per_cmh2o
    drive = {"threshold_over_mmhg": 7.0, "effort_cmh2o": deep}
    return Plan(events, ({"kind": "settings", "mode": "controlled"},), drive=drive)


def _shunt(draw: Draw) -> Plan:
    return _share("shunt", draw.by_severity(0.15, 0.3, 0.5), draw.over(10, 60), draw)


def _cooling(draw: Draw) -> Plan:
    change = -draw.by_severity(1.6, 2.4, 3.2)
    event = {"kind": "temperature", "at_s": draw.onset_s, "change_c": change}
    return Plan(({**event, "over_s": 270.0},))


def _journey(draw: Draw) -> Plan:
    """The battery lasts too little for the journey that is planned (severe: it is nearly empty)."""
    draw_w = 6.5
    minutes = draw.by_severity(50.0, 25.0, 8.0)
    charge = min(95.0, minutes * draw_w / _W_PER_PERCENT_MIN)
    event = {
        "kind": "journey",
        "at_s": draw.onset_s,
        "from": "theatre",
        "to": "imaging",
        "leaves_in_min": 5.0,
        "minutes": 20.0,
        "return_minutes": 20.0,
        "margin_minutes": 20.0,
    }
    unplug = {"kind": "supply", "at_s": draw.onset_s, "supply": "battery"}
    power = {"supply": "mains", "charge_percent": charge, "draw_w": draw_w}
    return Plan((unplug, event), ({"kind": "supply", "supply": "mains"},), power=power)


def _fresh_gas(draw: Draw) -> Plan:
    return _factor("fresh-gas", draw.by_severity(0.7, 0.45, 0.15), draw.over(2, 30), draw)


def _sensor(kind: str, sensor: str) -> Callable[[Draw], Plan]:
    def plan(draw: Draw) -> Plan:
        event = {"kind": kind, "at_s": draw.onset_s, "sensor": sensor}
        return Plan((event,), ({"kind": "sensor-on", "sensor": sensor},))

    return plan


def _spo2_off(draw: Draw) -> Plan:
    sensors = ("spo2", "pulse_rate")
    events = tuple({"kind": "sensor-off", "at_s": draw.onset_s, "sensor": s} for s in sensors)
    return Plan(events, tuple({"kind": "sensor-on", "sensor": s} for s in sensors))


def _silent(draw: Draw) -> Plan:
    for_s = draw.by_severity(15.0, 30.0, 60.0)
    return Plan(({"kind": "silent", "at_s": draw.onset_s, "for_s": for_s},))


def _lost(draw: Draw) -> Plan:
    for_s = draw.by_severity(4.0, 8.0, 15.0)
    return Plan(({"kind": "silent", "at_s": draw.onset_s, "for_s": for_s, "lost": True},))


def _clock(draw: Draw) -> Plan:
    ahead = draw.by_severity(18.0, 60.0, 600.0) * draw.random.choice((-1.0, 1.0))
    return Plan(({"kind": "clock", "at_s": draw.onset_s, "ahead_s": float(round(ahead))},))


_WORST: Final[tuple[Severity, ...]] = ("severe",)
_VOLUME: Final = frozenset({Kind.VOLUME_FALLS})
_LEAK: Final = frozenset({Kind.LEAK})
_OPEN: Final = frozenset({Kind.DISCONNECTED})

FAULTS: Final = (
    Fault("stiffening-slow", "Chest stiffens slowly", _VOLUME, _stiffening(50, 100), weight=1.5),
    Fault("stiffening-fast", "Chest stiffens at once", _VOLUME, _stiffening(1, 12), weight=1.5),
    Fault("tube-narrowing", "Tube narrows slowly", frozenset({Kind.TUBE_NARROW}),
          _narrowing(30, 90)),
    Fault("tube-kink", "Tube kinks", frozenset({Kind.TUBE_NARROW}), _narrowing(1, 3), weight=1.5),
    Fault("occlusion", "Tube occluded", frozenset({Kind.OCCLUDED}),
          lambda draw: _simple("occlude", "clear", draw), _WORST),
    Fault("leak-small", "Leak at once", _LEAK, _leak((0.25, 0.5, 0.75), (0, 2))),
    Fault("leak-growing", "Leak grows", _LEAK, _leak((0.35, 0.6, 0.85), (40, 100))),
    Fault("leak-never-reached", "Leak takes all flow",
          frozenset({Kind.TARGET_NOT_REACHED, Kind.LEAK}), _leak((1.1, 1.5, 2.5), (1, 30))),
    Fault("disconnection", "Circuit off", _OPEN,
          lambda draw: _simple("disconnect", "reconnect", draw), _WORST, 1.5),
    Fault("extubation", "Tube slipped out", _OPEN,
          lambda draw: _simple("extubate", "reintubate", draw), _WORST, 1.5),
    Fault("exhalation-blocked", "Exhalation blocked", frozenset({Kind.SUSTAINED_PRESSURE}),
          lambda draw: _simple("block-exhalation", "free-exhalation", draw), _WORST, 1.5),
    Fault("auto-peep", "Gas is trapped", frozenset({Kind.AUTO_PEEP}), _auto_peep),
    Fault("rebreathing", "Rebreathing", frozenset({Kind.REBREATHING}), _rebreathing),
    Fault("dilution", "CO2 sample diluted", frozenset({Kind.CO2_DILUTED}), _dilution),
    Fault("perfusion", "Circulation fails", frozenset({Kind.CIRCULATION}), _perfusion, weight=2.0),
    Fault("weaning-apnoea", "Apnoea at weaning", frozenset({Kind.APNOEA}), _weaning(15.0),
          weight=1.5),
    Fault("weaning-fails", "Breathes too little at weaning", frozenset({Kind.HYPERCAPNIA}),
          _weaning_fails, longer_s=150.0),
    Fault("desaturation", "Saturation falls", frozenset({Kind.DESATURATION}), _shunt, weight=1.5),
    Fault("cooling", "Cools", frozenset({Kind.COLD}), _cooling, longer_s=120.0),
    Fault("battery", "Battery too short for a journey", frozenset({Kind.BATTERY}), _journey),
    Fault("fresh-gas", "Fresh gas fails", frozenset({Kind.FRESH_GAS}), _fresh_gas),
    Fault("co2-line-blocked", "CO2 line blocked",
          frozenset({Kind.CO2_SIGNAL, Kind.NO_CO2}), _sensor("sensor-zero", "co2"), _WORST),
    Fault("co2-frozen", "CO2 frozen", frozenset({Kind.CO2_SIGNAL}),
          _sensor("sensor-frozen", "co2"), _WORST),
    Fault("co2-off", "CO2 sensor off", frozenset({Kind.CO2_SIGNAL}),
          _sensor("sensor-off", "co2"), _WORST),
    Fault("paw-line-off", "Pressure line off", frozenset({Kind.PAW_SIGNAL}),
          _sensor("sensor-zero", "paw"), _WORST),
    Fault("paw-frozen", "Pressure frozen", frozenset({Kind.PAW_SIGNAL}),
          _sensor("sensor-frozen", "paw"), _WORST),
    Fault("paw-off", "Pressure sensor off", frozenset({Kind.PAW_SIGNAL}),
          _sensor("sensor-off", "paw"), _WORST),
    Fault("spo2-off", "Saturation probe off", frozenset({Kind.SPO2_SIGNAL}), _spo2_off, _WORST),
    Fault("silent", "Device silent", frozenset({Kind.DATA_SILENT}), _silent),
    Fault("lost", "Messages lost", frozenset({Kind.DATA_LOST}), _lost),
    Fault("clock", "Clock wrong", frozenset({Kind.CLOCK}), _clock),
)  # fmt: skip
BY_ID: Final = {fault.id: fault for fault in FAULTS}
