"""What explains what follows from what stands alone, and nothing is lost by being explained."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from advisory_bench import Ward, above, below, rule
from hypothesis import given, settings
from hypothesis import strategies as st
from service_bench import START_MS

from rules.model import Escalation, Remind, Rule
from rules.priority import Harm, Onset, Priority
from service.advisories import Advisory, AdvisoryEvent
from service.advisories.order import beneath, explained_by, in_order

PRIORITIES = (Priority.HIGH, Priority.MEDIUM, Priority.LOW)
A, B, C = above("etco2", 55.0), above("pulse_rate", 200.0), below("spo2", 90.0)
ALL = {"etco2": 60.0, "pulse_rate": 250.0, "spo2": 80.0}


def _under(ward: Ward) -> dict[str, str | None]:
    standing = ward.book.standing()
    names = {advisory.id: advisory.rule for advisory in standing}
    return {a.rule: names[a.outranked_by] if a.outranked_by else None for a in standing}


def test_a_chain_stands_link_under_link() -> None:
    ward = Ward(rule("a", A, outranks=("b",)), rule("b", B, outranks=("c",)), rule("c", C))
    ward.at(0.0, ALL)
    assert _under(ward) == {"a": None, "b": "a", "c": "b"}
    assert [a.rule for a in beneath(ward.book.standing(), ward.book.standing()[0].id)] == ["b", "c"]


def test_the_nearest_that_explains_is_named_even_under_another() -> None:
    # Both a and b outrank c; b was first, and stands under a itself.
    ward = Ward(
        rule("a", A, outranks=("b", "c")),
        rule("b", B, outranks=("c",)),
        rule("c", C),
    )
    ward.at(0.0, {**ALL, "etco2": 40.0})
    ward.at(0.5, ALL)
    assert _under(ward) == {"a": None, "b": "a", "c": "b"}
    ward.at(1.0, {**ALL, "pulse_rate": 100.0})
    assert _under(ward) == {"a": None, "c": "a"}


def test_a_link_that_does_not_stand_joins_nothing() -> None:
    ward = Ward(rule("a", A, outranks=("b",)), rule("b", B, outranks=("c",)), rule("c", C))
    ward.at(0.0, {**ALL, "pulse_rate": 100.0})
    assert _under(ward) == {"a": None, "c": None}


def test_the_middle_of_a_chain_over_its_end_is_uncovered_and_speaks() -> None:
    ward = Ward(rule("a", A, outranks=("b",)), rule("b", B, outranks=("c",)), rule("c", C))
    ward.at(0.0, ALL)
    events = ward.at(1.0, {**ALL, "pulse_rate": 100.0})
    assert [(e.kind, e.advisory.rule, e.speaks) for e in events] == [
        ("cleared", "b", False),
        ("uncovered", "c", True),
    ]


def test_acknowledged_and_uncovered_it_stays_quiet() -> None:
    ward = Ward(rule("a", A, outranks=("c",)), rule("c", C))
    ward.at(0.0, ALL)
    (explained,) = [a for a in ward.book.standing() if a.rule == "c"]
    assert not isinstance(ward.book.acknowledge(explained.id, "nurse", START_MS + 500), str)
    events = ward.at(1.0, {**ALL, "etco2": 40.0})
    assert [(e.kind, e.advisory.state, e.speaks) for e in events] == [
        ("cleared", "cleared", False),
        ("uncovered", "acknowledged", False),
    ]


# -- in whatever order --------------------------------------------------------------------------

FACTS = ("spo2", "etco2", "pulse_rate")


@st.composite
def rules_without_circles(draw: st.DrawFn) -> list[Rule]:
    """Rules with every part of a life; one may outrank those that come after it."""
    count = draw(st.integers(2, 6))
    made = []
    for number in range(count):
        later = [f"r{other}" for other in range(number + 1, count)]
        limit = draw(st.sampled_from([40.0, 60.0]))
        worse = Escalation(
            Harm.DEATH,
            Onset.IMMEDIATE,
            for_s=draw(st.sampled_from([0.0, 2.0])),
            when=draw(st.sampled_from([None, below("spo2", 40.0)])),
        )
        made.append(
            rule(
                f"r{number}",
                below(draw(st.sampled_from(FACTS)), limit),
                priority=draw(st.sampled_from(PRIORITIES)),
                for_s=draw(st.sampled_from([0.0, 2.0])),
                clears_for_s=draw(st.sampled_from([0.0, 3.0])),
                latch=draw(st.booleans()),
                again_s=draw(st.sampled_from([0.0, 3.0, 60.0])),
                remind=Remind(*draw(st.sampled_from([(None, None), (2.0, None), (3.0, 4.0)]))),
                escalate=draw(st.sampled_from([None, worse])),
                outranks=tuple(draw(st.sets(st.sampled_from(later)))) if later else (),
            )
        )
    return made


@dataclass(frozen=True)
class Act:
    """What is known at a second, and what somebody does then."""

    facts: dict[str, float]
    does: str


ACTS = st.lists(
    st.builds(
        Act,
        st.dictionaries(st.sampled_from(FACTS), st.sampled_from([30.0, 50.0, 70.0])),
        st.sampled_from(["nothing", "nothing", "acknowledge", "pause", "resume"]),
    ),
    max_size=16,
)


def _lived(ward: Ward, acts: list[Act]) -> Iterator[tuple[list[AdvisoryEvent], list[Advisory]]]:
    """What changed and what stood, second by second."""
    for after_s, act in enumerate(acts):
        now_ms = START_MS + 1000 * after_s
        events = list(ward.at(float(after_s), act.facts))
        standing = ward.book.standing()
        result = None
        if act.does == "acknowledge" and standing:
            result = ward.book.acknowledge(standing[-1].id, "nurse", now_ms)
        if act.does == "pause":
            result = ward.book.begin_pause("nurse", 0.05, "test", now_ms)
        if act.does == "resume":
            result = ward.book.end_pause("nurse", None, ward.rules, now_ms)
        if result is not None and not isinstance(result, str):
            events += result.events
        yield events, [replace(advisory) for advisory in ward.book.standing()]


@settings(max_examples=200)
@given(rules=rules_without_circles(), acts=ACTS, data=st.data())
def test_the_order_of_rules_changes_nothing_at_all(
    rules: list[Rule], acts: list[Act], data: st.DataObject
) -> None:
    other = Ward(*data.draw(st.permutations(rules)))
    assert list(_lived(Ward(*rules), acts)) == list(_lived(other, acts))


@settings(max_examples=200)
@given(rules=rules_without_circles(), data=st.data())
def test_the_order_of_beginnings_changes_nothing_beyond_their_times(
    rules: list[Rule], data: st.DataObject
) -> None:
    # The same advisories with the same onsets, entered into the book in two orders.
    ward = Ward(*rules)
    ward.at(0.0, dict.fromkeys(FACTS, 30.0))
    ward.at(2.0, dict.fromkeys(FACTS, 30.0))
    standing = ward.book.standing()
    for advisory in standing:
        advisory.onset_ms = START_MS + data.draw(st.sampled_from([0, 500, 1000]))
    shuffled = data.draw(st.permutations(standing))
    assert explained_by(standing, ward.rules) == explained_by(shuffled, ward.rules)
    assert in_order(standing) == in_order(shuffled)


@settings(max_examples=200)
@given(rules=rules_without_circles(), acts=ACTS)
def test_explained_means_explained_and_never_over(rules: list[Rule], acts: list[Act]) -> None:
    ward = Ward(*rules)
    for events, standing in _lived(ward, acts):
        by_id = {advisory.id: advisory for advisory in standing}
        for advisory in standing:
            above = by_id.get(advisory.outranked_by or "")
            explaining = {
                other.id
                for other in standing
                if other.ended_ms is None
                and other.priority.rank >= advisory.priority.rank
                and advisory.rule in ward.rules.rule(other.rule).outranks
            }
            assert (above.id if above else None) in (explaining or {None})
            # Whatever is over it, at the top there is one that nothing explains.
            seen = set()
            while above is not None:
                assert above.id not in seen
                seen.add(above.id)
                above = by_id.get(above.outranked_by or "")
        for event in events:
            if event.kind == "cleared":
                assert event.reason in ("the condition has ended", "the condition had ended before")


@settings(max_examples=200)
@given(rules=rules_without_circles(), acts=ACTS)
def test_being_explained_changes_nothing_of_an_advisorys_own_life(
    rules: list[Rule], acts: list[Act]
) -> None:
    # The same rules with no one outranking any other: the same things begin, end and clear.
    alone = [_without_outranks(item) for item in rules]
    quiet = [Act(act.facts, "nothing") for act in acts]
    kinds = ("raised", "returned", "escalated", "ended", "cleared")

    def own(ward: Ward) -> list[list[tuple[str, str]]]:
        return [
            sorted((e.kind, e.advisory.id) for e in events if e.kind in kinds)
            for events, _ in _lived(ward, quiet)
        ]

    assert own(Ward(*rules)) == own(Ward(*alone))


def _without_outranks(item: Rule) -> Rule:
    return replace(item, outranks=())


@settings(max_examples=200)
@given(rules=rules_without_circles(), acts=ACTS)
def test_what_is_raised_free_and_not_paused_has_spoken(rules: list[Rule], acts: list[Act]) -> None:
    # Nobody can be left with something to be seen that was never heard, unless it is about to end.
    ward = Ward(*rules)
    spoke: set[str] = set()
    for events, standing in _lived(ward, acts):
        for event in events:
            if event.kind in ("raised", "returned", "escalated"):
                spoke.discard(event.advisory.id)
            if event.speaks:
                assert event.advisory.outranked_by is None
                spoke.add(event.advisory.id)
        for advisory in standing:
            heard = ward.book.pause is None or advisory.priority is Priority.HIGH
            lasts = ward.book.tracked[advisory.rule].clears_since_ms is None
            if advisory.state == "raised" and advisory.outranked_by is None and heard and lasts:
                assert advisory.id in spoke


# -- about to be over ---------------------------------------------------------------------------


def _explained_with_a_clearing() -> Ward:
    """`a` explains `c`, whose clearing has to hold for five seconds."""
    ward = Ward(
        rule("a", A, outranks=("c",)), rule("c", C, clears=above("spo2", 93.0), clears_for_s=5.0)
    )
    ward.at(0.0, ALL)
    ward.at(1.0, {**ALL, "spo2": 97.0})
    return ward


def test_uncovered_while_it_is_about_to_clear_it_says_nothing() -> None:
    ward = _explained_with_a_clearing()
    events = ward.at(2.0, {"etco2": 40.0, "spo2": 97.0})
    assert [(e.kind, e.advisory.rule, e.speaks) for e in events] == [
        ("cleared", "a", False),
        ("uncovered", "c", False),
    ]
    events = ward.at(6.0, {"etco2": 40.0, "spo2": 97.0})
    assert [(e.kind, e.speaks) for e in events] == [("cleared", False)]


def test_when_it_does_not_clear_after_all_it_speaks() -> None:
    ward = _explained_with_a_clearing()
    ward.at(2.0, {"etco2": 40.0, "spo2": 97.0})
    events = ward.at(3.0, {"etco2": 40.0, "spo2": 85.0})
    assert [(e.kind, e.advisory.rule, e.speaks) for e in events] == [("reminded", "c", True)]
    assert events[0].reason == "it could not speak before"


def test_nor_does_a_pause_keep_a_high_one_quiet_that_does_not_clear_after_all() -> None:
    high = {"priority": Priority.HIGH}
    ward = Ward(
        rule("a", A, outranks=("c",), **high),
        rule("c", C, clears=above("spo2", 93.0), clears_for_s=5.0, **high),
    )
    ward.at(0.0, ALL)
    ward.at(1.0, {**ALL, "spo2": 97.0})
    assert not isinstance(ward.book.begin_pause("nurse", 5.0, "suction", START_MS + 1500), str)
    ward.at(2.0, {"etco2": 40.0, "spo2": 97.0})
    # The probe falls off: whether it is over is not known any more.
    events = ward.at(3.0, {"etco2": 40.0})
    assert [(e.kind, e.advisory.rule, e.speaks) for e in events] == [("reminded", "c", True)]
