"""The difference between rule sets: nothing against itself, one change for one mutation."""

from __future__ import annotations

import dataclasses
import datetime
import random
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from texts import FILES, LIMITS, RULES
from worlds import World

from adapters.rule_files import load_rules
from rules.changes import Step, asked_step, next_version, taken_step
from rules.condition_words import clause_words, condition_lines
from rules.difference import difference
from rules.limits import Approval, Confidence, LimitEntry, LimitTable, Source, Where
from rules.loading import load_rule_set
from rules.model import (
    Cause,
    Comparison,
    Condition,
    Escalation,
    Group,
    LimitRef,
    Op,
    Parameter,
    Remind,
    Rule,
    RuleSet,
    Sign,
    Unknown,
    Value,
)
from rules.priority import Harm, Onset
from rules.vocabulary import CATALOGUE

SET = load_rule_set(FILES)
APPROVED = Approval("a clinician", datetime.date(2026, 12, 1), "our animals are small")
OTHER_SOURCE = Source("another paper", Confidence.MEMORY)


def _full() -> RuleSet:
    """The set of the tests with every optional thing that a rule set may have."""
    first, second = SET.rules
    first = replace(
        first,
        needs=Group("all", (Comparison("breath.since", Op.BELOW, Value(30.0)),)),
        remind=Remind(60.0, 120.0),
        escalate=Escalation(Harm.DEATH, Onset.IMMEDIATE, 30.0, Unknown("etco2")),
        may_be=("leak", "kink"),
    )
    sign = Sign(Comparison("etco2", Op.ABOVE, Value(60.0)), "CO2 is very high")
    causes = {name: Cause(name, f"a {name}", "the tube", (sign,), (sign,), OTHER_SOURCE)
              for name in ("leak", "kink")}  # fmt: skip
    number = Parameter("wait", "how long", "s", 10.0, 5.0, 20.0, OTHER_SOURCE, APPROVED)
    without = {"left-out": APPROVED}
    return replace(SET, rules=(first, second), causes=causes, parameters={"wait": number},
                   without=without, parent="other@1.0.0")  # fmt: skip


FULL = _full()
#: Field of a rule, its new value, and what the one change has to be called.
RULE_MUTATIONS: list[tuple[str, Any, str]] = [
    ("title", "Another title", "title"),
    ("when", Unknown("spo2"), "when"),
    ("harm", Harm.REVERSIBLE, "priority"),
    ("onset", Onset.DELAYED, "priority"),
    ("cause", "leak", "cause"),
    ("says", "Something else.", "says"),
    ("because", "Other reasons.", "because"),
    ("source", OTHER_SOURCE, "source"),
    ("only_in", {"mode": ("controlled", "spontaneous")}, "only_in"),
    ("for_s", 20.0, "for"),
    ("clears", None, "clears"),
    ("clears_for_s", 31.0, "clears_for"),
    ("needs", None, "needs"),
    ("latch", True, "latch"),
    ("remind", Remind(60.0, None), "remind"),
    ("escalate", None, "escalate"),
    ("again_s", 60.0, "again"),
    ("may_be", ("leak",), "may_be"),
    ("outranks", (), "outranks"),
    ("look_at", ("the circuit", "the hose"), "look_at"),
    ("caution", "", "caution"),
]


def _with_rule(rule: Rule) -> RuleSet:
    return replace(FULL, rules=(rule, *FULL.rules[1:]))


def test_every_field_of_a_rule_is_tried() -> None:
    tried = {name for name, _, _ in RULE_MUTATIONS}
    assert tried == {field.name for field in dataclasses.fields(Rule)} - {"id"}


@pytest.mark.parametrize(("field", "value", "called"), RULE_MUTATIONS, ids=lambda v: str(v)[:20])
def test_one_field_of_a_rule_is_one_change(field: str, value: Any, called: str) -> None:
    rule = FULL.rules[0]
    assert getattr(rule, field) != value
    after = _with_rule(replace(rule, **{field: value}))
    if field == "when":
        # All of a condition replaced: each of its clauses is told.
        assert {c.field for c in difference(FULL, after)} == {"when"}
        return
    (change,) = difference(FULL, after)
    assert (change.part, change.subject, change.field) == ("rule", rule.id, called)
    assert change.before != change.after
    # And back again it is one as well.
    (back,) = difference(after, FULL)
    assert (back.before, back.after) == (change.after, change.before)


def test_a_rule_by_another_name_is_one_change() -> None:
    rule = FULL.rules[1]
    after = replace(FULL, rules=(FULL.rules[0], replace(rule, id="other")))
    (change,) = difference(FULL, after)
    assert (change.before, change.after, change.step) == ("spo2-low", "other", Step.MAJOR)


def test_rules_added_and_removed() -> None:
    fewer = replace(FULL, rules=FULL.rules[:1])
    (gone,) = difference(FULL, fewer)
    assert (gone.subject, gone.after, gone.step) == ("spo2-low", None, Step.MAJOR)
    assert "Saturation is low" in gone.words
    (come,) = difference(fewer, FULL)
    assert (come.subject, come.before, come.step) == ("spo2-low", None, Step.MINOR)


# -- conditions, at random ----------------------------------------------------------------------


def _mutants(condition: Condition) -> Iterator[Condition]:
    """The condition with one thing in it changed."""
    if isinstance(condition, Group):
        for kind in {"all", "any", "none"} - {condition.kind}:
            yield replace(condition, kind=kind)
        for at, member in enumerate(condition.members):
            for mutant in _mutants(member):
                yield replace(
                    condition,
                    members=(*condition.members[:at], mutant, *condition.members[at + 1 :]),
                )
    elif isinstance(condition, Unknown):
        yield Unknown("paw.pip")
    else:
        yield replace(condition, fact="paw.pip")
        yield replace(condition, op=Op.AT_LEAST if condition.op is not Op.AT_LEAST else Op.BELOW)
        if isinstance(condition.operand, Value):
            value = condition.operand.value
            if isinstance(value, float) and abs(value) < 1e300:
                yield replace(condition, operand=Value(value * 1.0000001 + 1e-12))
            yield replace(condition, operand=Value(f"{value}!"))
        else:
            offset = condition.operand.offset + 0.25
            yield replace(condition, operand=replace(condition.operand, offset=offset))
            yield replace(condition, operand=replace(condition.operand, name="another"))


@pytest.mark.parametrize("seed", range(40))
def test_one_thing_in_a_condition_is_one_change_that_reads_differently(seed: int) -> None:
    world = World(seed)
    for _ in range(5):
        condition = world.condition(3, 3)
        before = _with_rule(replace(FULL.rules[0], when=condition))
        assert difference(before, before) == []
        mutants = list(_mutants(condition))
        for mutant in random.Random(seed).sample(mutants, min(len(mutants), 8)):
            after = _with_rule(replace(FULL.rules[0], when=mutant))
            (change,) = difference(before, after)
            assert (change.subject, change.field) == (FULL.rules[0].id, "when")
            assert None not in (change.before, change.after)
            assert change.before != change.after


@pytest.mark.parametrize("seed", range(20))
def test_the_lines_of_a_condition_tell_it_whole(seed: int) -> None:
    world = World(1000 + seed)
    conditions = {world.condition(3, 3) for _ in range(60)}
    told = {tuple(condition_lines(condition)) for condition in conditions}
    assert len(told) == len(conditions)


def test_a_clause_added_and_removed() -> None:
    before = load_rule_set(FILES)
    fewer = RULES.replace("        - {fact: breath.since, below: 20 s}\n", "")
    (gone,) = difference(before, load_rule_set({**FILES, "co2.yaml": fewer}))
    words = f"{CATALOGUE['breath.since'].meaning} below 20 s"
    assert gone.words == f"etco2-high, when: removed: {words}"
    (come,) = difference(load_rule_set({**FILES, "co2.yaml": fewer}), before)
    assert come.before is None
    assert come.after == words


def test_clauses_are_set_side_by_side_by_what_they_speak_of() -> None:
    def rule(*members: Condition) -> RuleSet:
        return _with_rule(replace(FULL.rules[0], when=Group("all", members)))

    high, fast, slow = (
        Comparison("paw.pip", Op.ABOVE, Value(20.0)),
        Comparison("breath.rr", Op.ABOVE, Value(60.0)),
        Comparison("breath.rr", Op.ABOVE, Value(50.0)),
    )
    cold = Comparison("temperature", Op.BELOW, Value(35.0))
    changes = difference(rule(high, fast), rule(Group("any", (high, cold)), slow))
    assert [(change.before, change.after) for change in changes] == [
        (clause_words(high), f"{clause_words(high)} (in another group)"),
        (clause_words(fast), clause_words(slow)),
        (None, "at least one of these"),
        (None, clause_words(cold)),
    ]


# -- limits, causes, parameters, the set itself ---------------------------------------------------


def test_a_limit_reads_as_a_clinician_writes_it() -> None:
    files = {**FILES, "limits.yaml": LIMITS.replace("value: 55", "value: 50")}
    (change,) = difference(SET, load_rule_set(files))
    assert change.words == "etco2_high for mammals: 55 -> 50 mmHg"


@pytest.mark.parametrize(
    ("field", "value", "called"),
    [
        ("value", 50.0, "value"),
        ("where", Where(class_="bird", words="birds"), "where"),
        ("since", datetime.date(2027, 1, 1), "since"),
        ("source", OTHER_SOURCE, "source"),
        ("approved", APPROVED, "approved"),
    ],
)
def test_one_field_of_a_value_is_one_change(field: str, value: Any, called: str) -> None:
    limit = FULL.limits.limits["etco2_high"]
    entry = replace(limit.entries[0], **{field: value})
    after = _with_entries(entry, *limit.entries[1:])
    (change,) = difference(FULL, after)
    assert (change.part, change.subject) == ("limit", "etco2_high for mammals")
    assert change.field == called


def _with_entries(*entries: LimitEntry) -> RuleSet:
    limit = replace(FULL.limits.limits["etco2_high"], entries=entries)
    return replace(FULL, limits=LimitTable({**FULL.limits.limits, limit.name: limit}))


def test_a_value_that_is_none_any_more_is_major() -> None:
    limit = FULL.limits.limits["etco2_high"]
    gone = replace(limit.entries[0], value=None, absent="no agreement")
    (change,) = difference(FULL, _with_entries(gone, *limit.entries[1:]))
    assert change.words == "etco2_high for mammals: 55 mmHg -> no value (no agreement)"
    assert change.step is Step.MAJOR
    (change,) = difference(FULL, _with_entries(*limit.entries[1:]))
    assert (change.after, change.step) == (None, Step.MAJOR)


def test_a_later_value_beside_the_old_one_says_which_one_it_goes_before() -> None:
    limit = FULL.limits.limits["etco2_high"]
    later = replace(limit.entries[0], value=50.0, since=datetime.date(2027, 1, 1))
    (change,) = difference(FULL, _with_entries(*limit.entries, later))
    assert change.words.startswith("etco2_high for mammals: 55 mmHg -> 50 mmHg since 2027-01-01")
    earlier = replace(later, since=datetime.date(2020, 1, 1))
    (change,) = difference(FULL, _with_entries(*limit.entries, earlier))
    assert change.before is None


@pytest.mark.parametrize(("field", "value"), [("meaning", "else"), ("unit", "kPa")])
def test_meaning_and_unit_of_a_limit(field: str, value: str) -> None:
    limit = replace(FULL.limits.limits["te_short"], **{field: value})
    after = replace(FULL, limits=LimitTable({**FULL.limits.limits, limit.name: limit}))
    (change,) = difference(FULL, after)
    assert (change.subject, change.field) == ("te_short", field)


@pytest.mark.parametrize(
    ("field", "value"),
    [("title", "x"), ("look", "x"), ("fits", ()), ("against", ()), ("source", None)],
)
def test_one_field_of_a_cause_is_one_change(field: str, value: Any) -> None:
    causes = {**FULL.causes, "leak": replace(FULL.causes["leak"], **{field: value})}
    (change,) = difference(FULL, replace(FULL, causes=causes))
    assert (change.part, change.subject, change.field) == ("cause", "leak", field)


@pytest.mark.parametrize(
    ("field", "value", "called"),
    [
        ("meaning", "x", "meaning"), ("unit", "ms", "unit"), ("value", 11.0, "value"),
        ("low", 4.0, "between"), ("high", 21.0, "between"), ("approved", None, "approved"),
        ("source", Source("x", Confidence.PUBLISHED), "source"),
    ],
)  # fmt: skip
def test_one_field_of_a_parameter_is_one_change(field: str, value: Any, called: str) -> None:
    parameters = {"wait": replace(FULL.parameters["wait"], **{field: value})}
    (change,) = difference(FULL, replace(FULL, parameters=parameters))
    assert (change.part, change.subject, change.field) == ("parameter", "wait", called)


@pytest.mark.parametrize(
    ("field", "value"),
    [("name", "x"), ("title", "x"), ("summary", "x"), ("caution", "x"), ("parent", None),
     ("without", {})],
)  # fmt: skip
def test_one_field_of_the_set_is_one_change(field: str, value: Any) -> None:
    (change,) = difference(FULL, replace(FULL, **{field: value}))
    assert (change.part, change.field) == ("rule set", field)


def test_version_hash_and_order_of_rules_are_no_changes() -> None:
    # In which file a rule is written changes nothing either.
    after = replace(FULL, version="9.0.0", sha256="x", rules=FULL.rules[::-1], groups={})
    assert difference(FULL, after) == []
    tried = {"name", "title", "summary", "caution", "parent", "without", "version", "sha256",
             "rules", "limits", "causes", "parameters", "groups"}  # fmt: skip
    assert tried == {field.name for field in dataclasses.fields(RuleSet)}


def test_the_library_against_itself_gives_nothing() -> None:
    library = load_rules("small-animal-ventilation@0.1.0").rule_set
    assert difference(library, library) == []
    assert difference(FULL, FULL) == []


# -- steps ----------------------------------------------------------------------------------------


def test_the_step_is_the_greatest_that_a_change_asks_for() -> None:
    rule = FULL.rules[0]
    words = replace(rule, says="Else.")
    assert asked_step(difference(FULL, _with_rule(words))) is Step.PATCH
    shorter = replace(words, for_s=9.0)
    assert asked_step(difference(FULL, _with_rule(shorter))) is Step.MINOR
    lower = replace(shorter, harm=Harm.MINOR)
    assert asked_step(difference(FULL, _with_rule(lower))) is Step.MAJOR
    narrower = replace(rule, only_in={"mode": ("controlled",), "phase": ("maintenance",)})
    assert asked_step(difference(FULL, _with_rule(narrower))) is Step.MAJOR
    wider = replace(rule, only_in={})
    assert asked_step(difference(FULL, _with_rule(wider))) is Step.MINOR
    assert asked_step([]) is None


def _step_from(one: RuleSet, other: RuleSet) -> Step | None:
    return asked_step(difference(one, other))


@pytest.mark.parametrize(
    "silent",
    [
        {"for_s": 11.0},
        {"clears_for_s": 1.0},
        {"when": Group("all", (FULL.rules[0].when, Unknown("temperature")))},
        {"needs": Group("all", (FULL.rules[0].when, Unknown("temperature")))},
        {"clears": Group("any", (FULL.rules[0].clearing, Unknown("temperature")))},
        {"remind": Remind(61.0, 120.0)},
        {"remind": Remind(60.0)},
        {"escalate": replace(FULL.rules[0].escalate, for_s=31.0)},  # type: ignore[type-var]  # this rule has one
    ],
    ids=lambda changes: next(iter(changes)),
)
def test_what_may_fall_silent_or_end_sooner_is_major_and_its_opposite_minor(
    silent: dict[str, Any],
) -> None:
    changed = _with_rule(replace(FULL.rules[0], **silent))
    assert _step_from(FULL, changed) is Step.MAJOR
    if "needs" not in silent:
        assert _step_from(changed, FULL) is Step.MINOR


def test_a_latch_that_is_gone_is_major() -> None:
    latched = _with_rule(replace(FULL.rules[0], latch=True))
    assert _step_from(FULL, latched) is Step.MINOR
    assert _step_from(latched, FULL) is Step.MAJOR


def _set_with(value: float, when: Condition | None = None) -> RuleSet:
    limit = FULL.limits.limits["etco2_high"]
    changed = _with_entries(replace(limit.entries[0], value=value), *limit.entries[1:])
    rule = FULL.rules[0] if when is None else replace(FULL.rules[0], when=when)
    return replace(changed, rules=(rule, *FULL.rules[1:]))


_ABOVE = Comparison("etco2", Op.ABOVE, LimitRef("etco2_high"))
_BELOW = Comparison("etco2", Op.BELOW, LimitRef("etco2_high"))


@pytest.mark.parametrize(
    ("when", "higher", "lower"),
    [
        (_ABOVE, Step.MAJOR, Step.MINOR),
        (_BELOW, Step.MINOR, Step.MAJOR),
        (Group("none", (_ABOVE,)), Step.MINOR, Step.MAJOR),
        (Group("any", (_ABOVE, _BELOW)), Step.MAJOR, Step.MAJOR),
        (Unknown("etco2"), Step.MINOR, Step.MINOR),
    ],
    ids=["above", "below", "not above", "both", "not used"],
)
def test_a_limit_loosened_is_major_by_how_rules_use_it(
    when: Condition, higher: Step, lower: Step
) -> None:
    standing = _set_with(55.0, when)
    assert _step_from(standing, _set_with(60.0, when)) is higher
    assert _step_from(standing, _set_with(50.0, when)) is lower


def test_where_rules_use_a_limit_both_ways_the_more_urgent_decide() -> None:
    low = replace(FULL.rules[1], id="hint", when=_BELOW, harm=Harm.MINOR, onset=Onset.DELAYED)

    def standing(value: float, hint: Rule) -> RuleSet:
        rule_set = _set_with(value, _ABOVE)
        return replace(rule_set, rules=(*rule_set.rules, hint))

    assert _step_from(standing(55.0, low), standing(50.0, low)) is Step.MINOR
    assert _step_from(standing(55.0, low), standing(60.0, low)) is Step.MAJOR
    alike = replace(low, harm=FULL.rules[0].harm, onset=FULL.rules[0].onset)
    assert _step_from(standing(55.0, alike), standing(50.0, alike)) is Step.MAJOR


def test_a_lower_limit_of_co2_in_the_library_is_a_minor_step() -> None:
    library = load_rules("small-animal-ventilation@1.0.0").rule_set
    limit = library.limits.limits["etco2_high"]

    def general(value: float) -> RuleSet:
        entries = tuple(
            replace(entry, value=value) if entry.where == Where() else entry
            for entry in limit.entries
        )
        limits = {**library.limits.limits, limit.name: replace(limit, entries=entries)}
        return replace(library, limits=LimitTable(limits))

    assert _step_from(library, general(50.0)) is Step.MINOR
    assert _step_from(library, general(60.0)) is Step.MAJOR


@pytest.mark.parametrize(("value", "step"), [(60.0, Step.MAJOR), (50.0, Step.MINOR)])
def test_a_value_for_a_species_is_held_against_what_stood_for_it(value: float, step: Step) -> None:
    limit = FULL.limits.limits["etco2_high"]
    own = replace(limit.entries[0], value=value, where=Where("goat", "mammal", words="goat"))
    assert _step_from(FULL, _with_entries(*limit.entries, own)) is step


@pytest.mark.parametrize(
    ("before", "step", "after"),
    [
        # Semantic Versioning 2.0.0, sections 6 to 8; before 1.0.0 our own way.
        ("1.2.3", Step.PATCH, "1.2.4"), ("1.2.3", Step.MINOR, "1.3.0"),
        ("1.2.3", Step.MAJOR, "2.0.0"), ("0.1.0", Step.MINOR, "0.2.0"),
        ("0.1.0", Step.MAJOR, "0.2.0"), ("2.0.0-rc.1", Step.MAJOR, "2.0.0"),
    ],
)  # fmt: skip
def test_the_next_version(before: str, step: Step, after: str) -> None:
    assert next_version(before, step) == after
    taken = taken_step(before, after)
    assert taken is not None
    assert taken >= step


def test_a_step_back_is_none() -> None:
    assert taken_step("1.0.0", "1.0.0") is None
    assert taken_step("1.0.0", "0.9.0") is None
