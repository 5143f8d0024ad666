"""The limits of a patient as lines beside what was measured: those that rules hold a value itself
against, for each of its phases."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from rules.model import Comparison, LimitRef, Op, Rule, RuleSet, leaves
from service.cases.stays import Lying
from service.glance import Vital

Side = Literal["above", "below"]

#: Facts that are a value as it is shown, or its lowest or highest of late.
_ITSELF: Final[Mapping[str, Vital]] = {
    "etco2": Vital.ETCO2,
    "etco2.min_30s": Vital.ETCO2,
    "etco2.max_30s": Vital.ETCO2,
    "fico2": Vital.FICO2,
    "spo2": Vital.SPO2,
    "pulse_rate": Vital.PULSE,
    "breath.rr": Vital.RATE,
    "co2.rr": Vital.RATE,
    "paw.pip": Vital.PIP,
    "paw.pip_median_5": Vital.PIP,
    "temperature": Vital.TEMPERATURE,
    "battery.charge": Vital.BATTERY,
}
#: And those that are one per kg of the patient.
_PER_KG: Final[Mapping[str, Vital]] = {
    "volume.per_kg_low": Vital.VOLUME,
    "volume.per_kg_high": Vital.VOLUME,
}
#: Phases in which a patient may breathe by itself.
_BY_ITSELF: Final = ("weaning", "recovery")
_SIDES: Final[Mapping[Op, Side]] = {
    Op.ABOVE: "above",
    Op.AT_LEAST: "above",
    Op.BELOW: "below",
    Op.AT_MOST: "below",
}


@dataclass(frozen=True, slots=True)
class LimitLine:
    """A limit over the time in which it held (ms since 1970), in the unit of its vital; on which
    `side` of it a rule speaks."""

    vital: Vital
    name: str
    side: Side
    value: float
    from_ms: int
    to_ms: int


def limit_lines(rules: RuleSet, lying: list[Lying], from_ms: int) -> list[LimitLine]:
    """The lines from `from_ms` on.

    Only limits of rules that hold nothing else against a limit: what two values decide together,
    or a value and how fast it moves, is no line in the course of one of them.
    """
    return [line for one in lying if one.to_ms > from_ms for line in _lines(rules, one, from_ms)]


def _lines(rules: RuleSet, one: Lying, from_ms: int) -> Iterator[LimitLine]:
    limits = rules.limits.resolve(one.context)
    for (vital, name), (side, per_kg) in _held(rules, one).items():
        limit = limits.get(name)
        if limit is None or limit.value is None:
            continue
        if per_kg and one.mass_kg is None:
            continue
        value = limit.value * (one.mass_kg or 0.0) if per_kg else limit.value
        yield LimitLine(vital, name, side, value, max(one.from_ms, from_ms), one.to_ms)


def _held(rules: RuleSet, one: Lying) -> dict[tuple[Vital, str], tuple[Side, bool]]:
    """The limits by value and name. Where rules speak on both sides of one (ready to be weaned on
    the one, in trouble on the other), that of the more urgent counts."""
    found: dict[tuple[Vital, str], tuple[Side, bool]] = {}
    for rule in sorted(rules.rules, key=lambda rule: -rule.priority.rank):
        if not _in_scope(rule, one):
            continue
        for vital, name, side, per_kg in _of(rule):
            found.setdefault((vital, name), (side, per_kg))
    return dict(sorted(found.items(), key=lambda item: list(Vital).index(item[0][0])))


def _in_scope(rule: Rule, one: Lying) -> bool:
    """Whether it may speak of this patient in this phase."""
    phase = one.patient.phase
    modes = ("controlled", "spontaneous") if phase in _BY_ITSELF else ("controlled",)
    known = {"class": (one.patient.class_,), "phase": (phase,), "mode": modes}
    return all(set(known[key]) & set(labels) for key, labels in rule.only_in.items())


def _of(rule: Rule) -> list[tuple[Vital, str, Side, bool]]:
    found = []
    for leaf in leaves(rule.when):
        if not isinstance(leaf, Comparison) or not isinstance(leaf.operand, LimitRef):
            continue
        vital = _ITSELF.get(leaf.fact) or _PER_KG.get(leaf.fact)
        if vital is None or leaf.op not in _SIDES:
            return []
        if leaf.operand.offset == 0.0:
            per_kg = leaf.fact in _PER_KG
            found.append((vital, leaf.operand.name, _SIDES[leaf.op], per_kg))
    return found
