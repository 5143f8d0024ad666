"""Many moments through both engines and the oracle, in one process: what differs, what grows."""

from __future__ import annotations

import itertools
import json
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from columns import ABSENT, Limits, Moments, expected_in_columns, moments_of, pools_for
from oracle import expected
from own_memory import own_bytes
from worlds import FLAG, WRONG, World, narrow, rule_set_of

from adapters.rule_files import library, load_rules
from rules.engine import extension as extension_module
from rules.engine.durable import DurableEngine
from rules.engine.extension import Part
from rules.engine.plain import PlainEngine
from rules.limits import PatientContext
from rules.model import RuleSet
from rules.versions import parse_version
from rules.vocabulary import CATALOGUE, CLASSES, PHASES

CHUNK = 5_000
ORACLE_EVERY = 1000
MESSAGE = re.compile(r'\{"sid":"0","id":"s"(,"[gp][0-9]{1,3}":-?[0-9]{1,16})+\}')
TRAPS = (*(f"{type(value).__name__} {str(value)[:12]}" for value in WRONG), "missing")


@dataclass(frozen=True)
class Plan:
    """One rule set and how many moments of it; `seed` None takes the newest of the library."""

    seed: int | None
    rules: int
    moments: int
    chance: int


@dataclass
class Report:
    """What came of some plans."""

    moments: int = 0
    differences: list[str] = field(default_factory=list)
    by_hand: int = 0
    keys: int = 0
    changing: int = 0
    traps: Counter[str] = field(default_factory=Counter)
    left_behind: int = 0
    grown_bytes: list[int] = field(default_factory=list)


def run(plans: Sequence[Plan]) -> Report:
    """All plans, one after another.

    Growth is counted within each plan, from the end of its second chunk (engines are built and
    caches filled by then) to the end of its last.
    """
    CATALOGUE.setdefault(FLAG.name, FLAG)  # type: ignore[attr-defined]  # a dict underneath
    report = Report()
    for plan in plans:
        held = [own_bytes() for _ in _run(plan, report)]
        report.grown_bytes.append(held[-1] - held[1])
    return report


def newest() -> RuleSet:
    """The newest version in the library."""
    specs = (spec for spec in library() if spec.startswith("small-animal-ventilation@"))
    version = max(specs, key=lambda spec: parse_version(spec.partition("@")[2]).precedence)
    return load_rules(version).rule_set


def _run(plan: Plan, report: Report) -> Iterator[None]:
    rule_set, limit_sets = _subject(plan)
    pools = pools_for(rule_set, limit_sets, plan.chance)
    plain, durable = PlainEngine(rule_set), DurableEngine(rule_set)
    held: Counter[str] = Counter()
    for start in range(0, plan.moments, CHUNK):
        count = min(CHUNK, plan.moments - start)
        moments = moments_of(pools, limit_sets, count, plan.chance + start)
        wanted = expected_in_columns(rule_set, moments)
        held.update({key: int(flags.sum()) for key, flags in wanted.items()})
        report.differences += _differences(moments, wanted, plain, durable)
        report.by_hand += _by_hand(rule_set, moments, wanted, durable)
        report.traps += _traps(moments)
        report.moments += count
        yield
    report.keys += len(held)
    report.changing += sum(0 < count < plan.moments for count in held.values())
    for part in _parts(durable):
        facts = json.loads(extension_module._extension.get_facts(part._handle, "0") or "[]")
        report.left_behind += sum(not fact["id"].startswith("sid-") for fact in facts)


def _parts(durable: DurableEngine) -> list[Part]:
    return [*durable._when, *durable._others]


def _subject(plan: Plan) -> tuple[RuleSet, list[Limits]]:
    if plan.seed is None:
        rule_set = newest()
        masses = (None, 0.02, 0.4, 3.0)
        patients = itertools.product((None, *CLASSES), ("rabbit", "kestrel"), masses, PHASES)
        return rule_set, [rule_set.limits.resolve(PatientContext(*p)) for p in patients]
    world = World(plan.seed)
    rules = (rule for rule in world.rule_set(4 * plan.rules + 20).rules if narrow(rule))
    return rule_set_of(itertools.islice(rules, plan.rules)), [world.limits() for _ in range(40)]


def _differences(
    moments: Moments,
    wanted: dict[str, np.ndarray],
    plain: PlainEngine,
    durable: DurableEngine,
) -> Iterator[str]:
    keys = list(wanted)
    rows = np.packbits(np.array(list(wanted.values())), axis=0).T
    answers: dict[bytes, frozenset[str]] = {}
    for index, (facts, limits) in enumerate(moments.rows()):
        row = rows[index].tobytes()
        if row not in answers:
            bits = np.unpackbits(rows[index])[: len(keys)].tolist()
            answers[row] = frozenset(itertools.compress(keys, bits))
        for engine in (plain, durable):
            answer = engine.evaluate(facts, limits)  # type: ignore[arg-type]  # facts of any kind
            if answer != answers[row]:
                yield f"{engine.name}: {sorted(answer ^ answers[row])} for {facts} with {limits}"


def _by_hand(
    rule_set: RuleSet,
    moments: Moments,
    wanted: dict[str, np.ndarray],
    durable: DurableEngine,
) -> int:
    """A sample against the oracle itself, and that only whole numbers reach the extension."""
    rows = itertools.islice(enumerate(moments.rows()), 0, None, ORACLE_EVERY)
    checked = 0
    for index, (facts, limits) in rows:
        slow = expected(rule_set, facts, limits)
        assert slow == {key for key, flags in wanted.items() if flags[index]}, (facts, limits)
        for part in _parts(durable):
            properties = durable._program.facts(facts)  # type: ignore[arg-type]  # facts of any kind
            message = part._message(part._all_open, properties, limits)
            assert MESSAGE.fullmatch(message), message
        checked += 1
    return checked


def _traps(moments: Moments) -> Counter[str]:
    found: Counter[str] = Counter()
    for column in moments.columns.values():
        assert column.pool[-1] is ABSENT
        counts = np.bincount(column.picks, minlength=len(column.pool))[-len(TRAPS) :]
        found.update(dict(zip(TRAPS, counts.tolist(), strict=True)))
    found["absent limit"] += sum(
        limit.value is None for pick in moments.limit_picks[:100]
        for limit in moments.limit_sets[pick].values()
    )  # fmt: skip
    return found
