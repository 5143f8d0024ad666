"""What stands is gathered by what it points to: one problem, one group, the most urgent first."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from rules.differential import Weighed
from rules.priority import Priority
from service.advisories import Advisory
from service.advisories.order import in_order
from service.gathering import gather


def weighed(cause: str, *fits: str, against: tuple[str, ...] = ()) -> Weighed:
    return Weighed(cause, f"Title of {cause}", f"Look for {cause}", fits, against, 0)


def advisory(
    name: str,
    cause: str,
    *may_be: Weighed,
    priority: Priority = Priority.MEDIUM,
    under: str | None = None,
) -> Advisory:
    return Advisory(
        id=name, rule=name, priority=priority, onset_ms=0, raised_ms=0, patient=None, title="",
        says="", because="", look_at=[], source="", confidence="", caution="", clears_when="",
        uncertainty=[], evidence=[], cause=cause, differential=list(may_be), outranked_by=under,
    )  # fmt: skip


def test_two_that_point_to_the_same_are_one_problem() -> None:
    one = advisory("volume", "stiff", weighed("tube", "step up"), weighed("stiff"))
    two = advisory("narrowing", "tube", weighed("tube", "resistance up"), priority=Priority.HIGH)
    (group,) = gather(in_order([one, two]))
    assert (group.cause, group.advisories) == ("tube", ("narrowing", "volume"))
    assert (group.title, group.look) == ("Title of tube", "Look for tube")
    assert group.fits == ("resistance up", "step up")


def test_the_likeliest_now_counts_not_the_name_in_the_rule() -> None:
    one = advisory("volume", "stiff", weighed("tube", "a", "b"), weighed("stiff"))
    (group,) = gather([one])
    assert group.cause == "tube"
    assert [other.cause for other in group.others] == ["stiff"]


def test_what_is_explained_goes_with_what_explains_it_whatever_it_points_to() -> None:
    top = advisory("off", "disconnection", weighed("disconnection"), priority=Priority.HIGH)
    middle = advisory("no-breath", "apnoea", weighed("apnoea"), under="off")
    below = advisory("co2-flat", "line", weighed("line"), under="no-breath")
    (group,) = gather(in_order([below, middle, top]))
    assert (group.cause, set(group.advisories)) == (
        "disconnection",
        {"off", "no-breath", "co2-flat"},
    )


def test_other_problems_stand_apart_most_urgent_first() -> None:
    cold = advisory("cold", "cooling", weighed("cooling"), priority=Priority.LOW)
    tube = advisory("tube", "tube", weighed("tube"), priority=Priority.HIGH)
    assert [group.cause for group in gather(in_order([cold, tube]))] == ["tube", "cooling"]


def test_without_described_causes_the_word_in_the_rule_serves() -> None:
    (group,) = gather([advisory("one", "battery")])
    assert (group.cause, group.title, group.look) == ("battery", "battery", "")


@given(
    causes=st.lists(st.sampled_from("abc"), min_size=1, max_size=6),
    covers=st.lists(st.integers(0, 5), min_size=6, max_size=6),
)
def test_each_stands_in_exactly_one_group(causes: list[str], covers: list[int]) -> None:
    made = [advisory(str(n), cause, weighed(cause)) for n, cause in enumerate(causes)]
    for number, item in enumerate(made):
        above = covers[number]
        made[number] = replace(item, outranked_by=str(above) if above < number else None)
    groups = gather(in_order(made))
    ids = [identity for group in groups for identity in group.advisories]
    assert sorted(ids) == sorted(item.id for item in made)
    assert len({group.cause for group in groups}) == len(groups)
