"""What explains what, and what stands first, does not depend on the order of the rules."""

from __future__ import annotations

from advisory_bench import Ward, above, below, kinds, rule
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.model import Escalation, Rule
from rules.priority import Harm, Onset, Priority
from service.advisories import Advisory

CO2 = above("etco2", 55.0)
SPO2 = below("spo2", 90.0)
BOTH = {"etco2": 60.0, "spo2": 80.0}


def shown(advisories: list[Advisory]) -> list[tuple[str, str, str | None]]:
    """Rule, state and what it is shown under."""
    names = {advisory.id: advisory.rule for advisory in advisories}
    return [(a.rule, a.state, names.get(a.outranked_by or "")) for a in advisories]


def test_highest_first_then_oldest_then_by_name() -> None:
    ward = Ward(
        rule("low", SPO2, priority=Priority.LOW),
        rule("medium-b", SPO2, priority=Priority.MEDIUM),
        rule("medium-a", SPO2, priority=Priority.MEDIUM),
        rule("medium-old", CO2, priority=Priority.MEDIUM),
        rule("high", SPO2, priority=Priority.HIGH),
    )
    ward.at(0.0, {"etco2": 60.0, "spo2": 97.0})
    ward.at(1.0, BOTH)
    assert ward.standing() == ["high", "medium-old", "medium-a", "medium-b", "low"]


def test_what_is_explained_stands_under_what_explains_it() -> None:
    ward = Ward(
        rule("cause", CO2, outranks=("effect",)),
        rule("effect", SPO2),
    )
    ward.at(0.0, {"etco2": 40.0, "spo2": 80.0})
    effect = ward.only()
    events = ward.at(1.0, BOTH)
    assert kinds(events) == ["outranked", "raised"]
    assert effect.outranked_by == ward.book.tracked["cause"].advisory.id  # type: ignore[union-attr]  # it stands
    assert ward.standing() == ["cause", "effect"]


def test_nothing_hides_what_is_more_urgent() -> None:
    ward = Ward(
        rule("cause", CO2, priority=Priority.LOW, outranks=("effect",)),
        rule("effect", SPO2, priority=Priority.HIGH),
    )
    events = ward.at(0.0, BOTH)
    assert [(e.advisory.rule, e.advisory.outranked_by, e.speaks) for e in events] == [
        ("cause", None, True),
        ("effect", None, True),
    ]


def test_one_that_escalates_comes_out_from_under() -> None:
    worse = Escalation(Harm.DEATH, Onset.IMMEDIATE, for_s=5.0)
    ward = Ward(rule("cause", CO2, outranks=("effect",)), rule("effect", SPO2, escalate=worse))
    ward.at(0.0, BOTH)
    assert ward.standing() == ["cause", "effect"]
    events = ward.at(5.0, BOTH)
    assert [(e.kind, e.advisory.rule, e.speaks) for e in events] == [("escalated", "effect", True)]
    assert ward.standing() == ["effect", "cause"]


def test_raised_under_what_already_explains_it() -> None:
    ward = Ward(
        rule("cause", CO2, outranks=("effect",)),
        rule("effect", SPO2),
    )
    ward.at(0.0, {"etco2": 60.0, "spo2": 97.0})
    (event,) = ward.at(1.0, BOTH)
    assert (event.kind, event.advisory.rule) == ("raised", "effect")
    assert event.advisory.outranked_by == ward.book.standing()[0].id


def test_uncovered_when_what_explained_it_is_over() -> None:
    ward = Ward(rule("cause", CO2, outranks=("effect",)), rule("effect", SPO2))
    ward.at(0.0, BOTH)
    events = ward.at(1.0, {"etco2": 40.0, "spo2": 80.0})
    assert [(event.kind, event.advisory.rule) for event in events] == [
        ("cleared", "cause"),
        ("uncovered", "effect"),
    ]
    assert ward.only().outranked_by is None
    assert ward.only().state == "raised"


def test_what_is_explained_is_never_reported_as_cleared() -> None:
    ward = Ward(rule("cause", CO2, outranks=("effect",)), rule("effect", SPO2))
    ward.at(0.0, {"etco2": 40.0, "spo2": 80.0})
    events = [event for after_s in range(1, 20) for event in ward.at(float(after_s), BOTH)]
    assert kinds(events) == ["outranked", "raised"]


def test_explained_and_over_it_is_cleared_itself() -> None:
    ward = Ward(rule("cause", CO2, outranks=("effect",)), rule("effect", SPO2))
    ward.at(0.0, BOTH)
    (event,) = ward.at(1.0, {"etco2": 60.0, "spo2": 97.0})
    assert (event.kind, event.advisory.rule) == ("cleared", "effect")


def test_of_several_explanations_the_most_urgent_is_named() -> None:
    ward = Ward(
        rule("a-mild", CO2, priority=Priority.LOW, outranks=("effect",)),
        rule("grave", CO2, priority=Priority.HIGH, outranks=("effect",)),
        rule("effect", SPO2, priority=Priority.LOW),
    )
    ward.at(0.0, BOTH)
    assert shown(ward.book.standing()) == [
        ("grave", "raised", None),
        ("a-mild", "raised", None),
        ("effect", "raised", "grave"),
    ]


FACTS = ("spo2", "etco2", "pulse_rate")
PRIORITIES = (Priority.HIGH, Priority.MEDIUM, Priority.LOW)


@st.composite
def _rules(draw: st.DrawFn) -> list[Rule]:
    """Some rules; one may explain those that come after it, so there is no circle."""
    count = draw(st.integers(2, 6))
    made = []
    for number in range(count):
        later = [f"r{other}" for other in range(number + 1, count)]
        made.append(
            rule(
                f"r{number}",
                below(draw(st.sampled_from(FACTS)), draw(st.sampled_from([40.0, 60.0]))),
                priority=draw(st.sampled_from(PRIORITIES)),
                for_s=draw(st.sampled_from([0.0, 2.0])),
                clears_for_s=draw(st.sampled_from([0.0, 3.0])),
                outranks=tuple(draw(st.sets(st.sampled_from(later)))) if later else (),
            )
        )
    return made


MOMENTS = st.lists(
    st.dictionaries(st.sampled_from(FACTS), st.sampled_from([30.0, 50.0, 70.0])), max_size=12
)


@settings(max_examples=150)
@given(rules=_rules(), moments=MOMENTS, data=st.data())
def test_the_order_of_rules_changes_nothing(
    rules: list[Rule], moments: list[dict[str, float]], data: st.DataObject
) -> None:
    other = Ward(*data.draw(st.permutations(rules)))
    ward = Ward(*rules)
    for after_s, facts in enumerate(moments):
        one, two = ward.at(float(after_s), facts), other.at(float(after_s), facts)
        assert shown(ward.book.standing()) == shown(other.book.standing())
        assert ward.book.standing() == other.book.standing()
        told = [(e.kind, e.advisory.id, e.reason, e.advisory.outranked_by) for e in one]
        also = [(e.kind, e.advisory.id, e.reason, e.advisory.outranked_by) for e in two]
        assert sorted(told, key=repr) == sorted(also, key=repr)


@settings(max_examples=100)
@given(rules=_rules(), moments=MOMENTS)
def test_standing_is_sorted_and_explanations_stand(
    rules: list[Rule], moments: list[dict[str, float]]
) -> None:
    ward = Ward(*rules)
    for after_s, facts in enumerate(moments):
        ward.at(float(after_s), facts)
        standing = ward.book.standing()
        free = [a for a in standing if a.outranked_by is None]
        assert standing[: len(free)] == free
        assert [-a.priority.rank for a in free] == sorted(-a.priority.rank for a in free)
        identities = {a.id for a in standing}
        assert all(a.outranked_by in identities for a in standing[len(free) :])
        rank = {a.id: a.priority.rank for a in standing}
        assert all(rank[a.outranked_by] >= rank[a.id] for a in standing if a.outranked_by)
