"""When each condition was there in a case: stretches of time, by the criteria of `truth_kinds`.

What lungs and circuit do is asked only from the start of the fault: what a benign happening does to
them for a breath or two is no condition. What blood and gas do counts always.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Final

from adapters.evaluation.case import events_of
from adapters.evaluation.population import Case
from adapters.evaluation.trace import Instant, Told
from adapters.evaluation.truth_kinds import CRITERIA, IMPLIES, Criterion, Kind

_BIRD_CO2_MMHG: Final = 5.0
_REPTILE_PAUSE: Final = 4.0
_PERCENT: Final = 100.0
#: Stretches that lie closer than this are one (s).
_JOIN_S: Final = 3.0
_LEAST_BATTERY_MIN: Final = 10.0
#: Conditions that are told from what the body holds, fault or none.
_ALWAYS: Final = frozenset(
    {
        Kind.HYPERCAPNIA,
        Kind.HYPOCAPNIA,
        Kind.DESATURATION,
        Kind.COLD,
        Kind.COOLING,
        Kind.BATTERY,
        Kind.OWN_BREATHING,
    }
)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A condition from when to when it is there (s), and from when it must be said.

    `due_s` and `grave_s` are None where it never came to that.
    """

    kind: Kind
    begins_s: float
    ends_s: float
    due_s: float | None
    grave_s: float | None


@dataclass(frozen=True, slots=True)
class Truth:
    """All that was true in a case."""

    stretches: tuple[Stretch, ...]

    def of(self, kinds: Iterable[Kind]) -> list[Stretch]:
        """The stretches of these kinds, in order of time."""
        wanted = frozenset(kinds)
        return sorted(
            (one for one in self.stretches if one.kind in wanted), key=lambda one: one.begins_s
        )

    def fits(self, kinds: Iterable[Kind], at_s: float) -> Kind | None:
        """The condition that makes an advisory of these kinds right at `at_s`, if any."""
        for stretch in self.of(kinds):
            if stretch.begins_s <= at_s <= stretch.ends_s + CRITERIA[stretch.kind].grace_s:
                return stretch.kind
        return None


def truth_of(case: Case, told: Told) -> Truth:
    """What was true in the case: what was measured, and what that brings with it."""
    found = measured(case, told)
    brought = [
        Stretch(implied, one.begins_s, one.ends_s, None, None)
        for one in found
        for implied in sorted(IMPLIES.get(one.kind, ()))
    ]
    return Truth((*found, *brought))


def measured(case: Case, told: Told) -> list[Stretch]:
    """The conditions as they were measured, from what was followed beside the case."""
    found: list[Stretch] = []
    for kind, measure in _measures(case).items():
        lasting = _LASTING.get(kind, measure)
        values = [(one.t_s, measure(one), lasting(one)) for one in told.instants]
        if kind not in _ALWAYS:
            begins_s = case.fault.begins_s if case.fault is not None else case.lasts_s + 1.0
            values = [one for one in values if one[0] >= begins_s]
        found += _stretches(kind, CRITERIA[kind], values)
    return found


def joined(found: Iterable[Stretch]) -> list[Stretch]:
    """The same with stretches of a kind as one where the grace of each reaches to the next.

    What is right at any moment stays as it was.
    """
    whole: list[Stretch] = []
    for one in sorted(found, key=lambda one: (one.kind, one.begins_s)):
        last = whole[-1] if whole and whole[-1].kind == one.kind else None
        if last is None or one.begins_s > last.ends_s + CRITERIA[one.kind].grace_s:
            whole.append(one)
        else:
            whole[-1] = replace(
                last,
                ends_s=max(last.ends_s, one.ends_s),
                due_s=one.due_s if last.due_s is None else last.due_s,
                grave_s=one.grave_s if last.grave_s is None else last.grave_s,
            )
    return whole


Measure = Callable[[Instant], float | None]
#: What has to be told must have lasted for more than one odd breath.
_LASTING: Final[dict[Kind, Measure]] = {Kind.VOLUME_FALLS: lambda one: one.lasting_volume_ratio}


def _measures(case: Case) -> dict[Kind, Measure]:
    return {**_mechanical(), **_bodily(case), **_signals(case)}


def _mechanical() -> dict[Kind, Measure]:
    return {
        Kind.VOLUME_FALLS: lambda one: one.volume_ratio if one.controlled else None,
        Kind.TUBE_NARROW: lambda one: one.step_rise_cmh2o,
        Kind.OCCLUDED: lambda one: float(one.closed),
        Kind.LEAK: lambda one: one.leak_share if one.controlled else None,
        Kind.TARGET_NOT_REACHED: lambda one: one.leak_over_flow,
        Kind.DISCONNECTED: lambda one: float(one.open_to_room),
        Kind.NOT_CYCLING: lambda one: one.since_inflation_periods,
        Kind.SUSTAINED_PRESSURE: lambda one: one.since_release_s,
        Kind.OVERPRESSURE: lambda one: one.over_target_cmh2o,
        Kind.AUTO_PEEP: lambda one: one.trapped_cmh2o if one.controlled else None,
        Kind.FRESH_GAS: lambda one: one.fresh_gas_factor,
        Kind.CIRCULATION: lambda one: one.perfusion,
        Kind.CO2_DILUTED: lambda one: one.dilution,
        Kind.REBREATHING: lambda one: one.inspired_co2_mmhg,
    }


def _bodily(case: Case) -> dict[Kind, Measure]:
    species = case.animal.species
    pause = _REPTILE_PAUSE if species.class_ == "reptile" else 1.0
    earlier = _BIRD_CO2_MMHG if species.class_ == "bird" else 0.0
    low_c = species.temperature_c[0]
    needed = _journey_minutes(case)
    return {
        Kind.APNOEA: lambda one: one.since_breath_s / pause,
        Kind.HYPERCAPNIA: lambda one: one.arterial_co2_mmhg + earlier,
        Kind.HYPOCAPNIA: _hypocapnia if species.class_ != "reptile" else lambda _: None,
        Kind.DESATURATION: lambda one: _PERCENT * one.saturation,
        Kind.COLD: lambda one: low_c - one.temperature_c if species.class_ != "reptile" else None,
        Kind.COOLING: lambda one: case.animal.temperature_c - one.temperature_c,
        Kind.BATTERY: lambda one: _battery(case, one, needed),
        Kind.OWN_BREATHING: lambda one: float(one.breathing),
    }


def _hypocapnia(one: Instant) -> float:
    return one.arterial_co2_mmhg


def _journey_minutes(case: Case) -> float:
    for event in events_of(case):
        if event["kind"] == "journey":
            return float(event["minutes"] + event["return_minutes"] + event["margin_minutes"])
    return 0.0


def _battery(case: Case, one: Instant, journey_min: float) -> float | None:
    fault = case.fault
    if fault is None or fault.id != "battery" or one.t_s < fault.begins_s:
        return None
    if fault.ends_s is not None and one.t_s >= fault.ends_s:
        return None
    return one.battery_minutes - max(journey_min, _LEAST_BATTERY_MIN)


def _signals(case: Case) -> dict[Kind, Measure]:
    fault = case.fault.id if case.fault is not None else ""
    since = _since_fault(case)
    measures: dict[Kind, Measure] = {
        Kind.NO_CO2: since if fault == "co2-line-blocked" else lambda one: one.since_co2_s
    }
    by_signal = {"paw": Kind.PAW_SIGNAL, "co2": Kind.CO2_SIGNAL, "spo2": Kind.SPO2_SIGNAL}
    signal, _, what = fault.partition("-")
    if signal in by_signal and what in ("line-blocked", "line-off", "frozen", "off"):
        measures[by_signal[signal]] = since
    if fault == "silent":
        measures[Kind.DATA_SILENT] = _while_it_lasts(case, since)
    if fault == "lost":
        rate = 1.0 + 1.0 / case.sensors.paw_block_s + 1.0 / case.sensors.co2_block_s
        within = _while_it_lasts(case, since)
        measures[Kind.DATA_LOST] = lambda one: (within(one) or 0.0) * rate
    if fault == "clock":
        assert case.fault is not None  # noqa: S101 (it has an id)
        ahead = abs(float(case.fault.plan.events[0]["ahead_s"]))
        measures[Kind.CLOCK] = lambda _: ahead
    return measures


def _since_fault(case: Case) -> Measure:
    """Seconds since the fault began, None once it is mended."""
    fault = case.fault

    def since(one: Instant) -> float | None:
        if fault is None or (fault.ends_s is not None and one.t_s > fault.ends_s):
            return None
        return one.t_s - fault.begins_s

    return since


def _while_it_lasts(case: Case, since: Measure) -> Measure:
    """As `since`, until the silence that the plan names is over."""
    assert case.fault is not None  # noqa: S101 (asked by the caller)
    lasts_s = float(case.fault.plan.events[0]["for_s"])

    def within(one: Instant) -> float | None:
        passed = since(one)
        return passed if passed is not None and passed <= lasts_s else None

    return within


def _stretches(
    kind: Kind,
    criterion: Criterion,
    values: list[tuple[float, float | None, float | None]],
) -> list[Stretch]:
    found: list[Stretch] = []
    for t_s, value, lasting in values:
        if value is None or lasting is None or not criterion.passed(value, criterion.exists):
            continue
        due = t_s if criterion.passed(lasting, criterion.due) else None
        grave = t_s if criterion.passed(lasting, criterion.grave) else None
        last = found[-1] if found else None
        if last is None or t_s - last.ends_s > _JOIN_S:
            found.append(Stretch(kind, t_s, t_s, due, grave))
            continue
        found[-1] = Stretch(
            kind,
            last.begins_s,
            t_s,
            due if last.due_s is None else last.due_s,
            grave if last.grave_s is None else last.grave_s,
        )
    return found
