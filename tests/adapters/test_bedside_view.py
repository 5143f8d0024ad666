"""The demo's live view: everything that stands is told, however small the window."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from adapters.cli.bedside_view import LatestView
from adapters.recordings import Line
from adapters.rule_files import DEFAULT_RULES, load_rules
from adapters.simulator.scenario import builtin_scenario_text, load_scenario
from adapters.simulator.ward import SimulatedWard
from rules.engine import build_engine
from rules.notice import NOTICE
from service.instants import from_text
from service.intake import Arrival
from service.outbound import encode
from service.watch import Outcome, Watch, WatchState

START_MS = from_text("2026-11-25T13:00:00Z")
SCENARIO = load_scenario(builtin_scenario_text())


@pytest.fixture(scope="module")
def ward() -> WatchState:
    """The simulated ward 78 s into its stories."""
    rules = load_rules(DEFAULT_RULES).rule_set
    watch = Watch(rules, build_engine(rules))
    sent = SimulatedWard(SCENARIO, START_MS, 5).advance(START_MS + 78_000)
    lines = [Line(message.at_ms, message.topic, message.payload) for message in sent]
    watch.step(
        [Arrival(line.received_ms, line.topic, encode(line.payload)) for line in lines],
        START_MS + 78_050,
    )
    return watch.state


def _screen(state: WatchState | None, width: int = 100, height: int = 36) -> list[str]:
    view = LatestView(SCENARIO)
    if state is not None:
        view.on_cycle(state, Outcome())
    console = Console(file=io.StringIO(), width=width, height=height, force_terminal=False)
    console.print(view.draw(78.0, 150.0, console))
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue().splitlines()


@pytest.mark.parametrize(("width", "height"), [(80, 30), (100, 36), (160, 50), (200, 24)])
def test_all_that_stands_is_told_and_it_fits(ward: WatchState, width: int, height: int) -> None:
    lines = _screen(ward, width, height)
    assert len(lines) <= height
    words = " ".join(" ".join(lines).split())
    standing = [a for place in ward.places.values() for a in place.book.standing()]
    told = [advisory for advisory in standing if advisory.outranked_by is None]
    assert len(told) >= 5
    for advisory in told:
        assert advisory.says in words
    assert NOTICE in words


def test_places_come_by_need_and_high_comes_first(ward: WatchState) -> None:
    rows = [line.split() for line in _screen(ward) if " bay-" in line and "," in line]
    order = [row[1] if row[0].startswith("!") else row[0] for row in rows[:7]]
    assert order == sorted(order, key=["high", "medium", "low", "quiet"].index)
    assert order[0] == "high"
    assert order[-1] == "quiet"


@pytest.mark.parametrize("width", [80, 100])
def test_every_animal_is_named(ward: WatchState, width: int) -> None:
    words = " ".join(_screen(ward, width))
    for spec in SCENARIO.places:
        assert f"{spec.patient.name}, " in words


def test_an_animal_that_does_not_breathe_shows_no_values_of_before(ward: WatchState) -> None:
    [kestrel] = [line for line in _screen(ward) if "Vane" in line]
    assert "none 37 s" in kestrel
    assert kestrel.split("none 37 s")[1].split()[:3] == ["-", "-", "-"]


def test_a_ward_that_nobody_heard_of_is_not_called_quiet() -> None:
    words = " ".join(_screen(None))
    assert "No place has been heard yet" in words
    assert "quiet" not in words
