"""Whatever a device sends: minutes or a reason, a small state, and a restart changes nothing."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter
from supply_bench import START_MS, Ventilator, whole

from service.battery.report import Report
from service.battery.state import Battery
from service.physiology import battery as laws
from service.supply import follow

STATE = TypeAdapter(Battery)
ANY = st.none() | st.floats(allow_nan=True, allow_infinity=True)


Row = tuple[int, bool, float | None, float | None, float | None, float | None, str]


def likely(low: float, high: float) -> st.SearchStrategy[float | None]:
    """Mostly what a device sends, now and then anything."""
    return st.one_of(st.floats(low, high), st.floats(low, high), st.just(low), ANY)


REPORTS = st.lists(
    st.tuples(
        st.sampled_from([0, 1, 1_000, 10_000, 10_000, 60_000, 900_000, 10**9, -5_000]),
        st.sampled_from([True, True, True, False]),
        st.one_of(likely(0.0, 100.0), st.integers(0, 100).map(float)),
        likely(-3.0, 3.0),
        likely(8.0, 13.0),
        likely(0.0, 5.0),
        st.sampled_from(["a", "a", "a", "a", "b"]),
    ),
    max_size=60,
)


def reports(rows: list[Row]) -> list[Report]:
    """Reports in order of receipt, each so many ms after the one before."""
    made, at_ms = [], START_MS
    for wait_ms, on_battery, charge, current_a, voltage_v, capacity_ah, device in rows:
        at_ms += wait_ms
        said = Report(at_ms, on_battery, charge, current_a, voltage_v, capacity_ah, device)
        made.append(said.usable())
    return made


@settings(max_examples=150, deadline=None)
@given(rows=REPORTS)
def test_every_history_gives_minutes_or_a_reason(rows: list[Row]) -> None:
    battery = Battery()
    for report in reports(rows):
        battery = follow(battery, report)
        made = battery.estimate
        assert made is not None
        ends = (made.low, made.minutes, made.high)
        if None in ends:
            assert ends == (None, None, None)
            assert made.why_unknown
            continue
        low, minutes, high = (end for end in ends if end is not None)
        assert 0.0 <= low <= minutes <= high < math.inf
        assert all(math.isfinite(minutes) for minutes in made.spread.values())


@settings(max_examples=100, deadline=None)
@given(rows=REPORTS, cut=st.integers(0, 60))
def test_a_restart_changes_nothing(rows: list[Row], cut: int) -> None:
    whole_run, cut_run = Battery(), Battery()
    for number, report in enumerate(reports(rows)):
        if number == cut:
            written = STATE.dump_json(cut_run)
            cut_run = STATE.validate_json(written)
            assert cut_run == whole_run
            assert STATE.dump_json(cut_run) == written
        whole_run, cut_run = follow(whole_run, report), follow(cut_run, report)
    assert STATE.dump_json(whole_run) == STATE.dump_json(cut_run)


def test_a_restart_at_every_report_of_a_discharge_changes_nothing() -> None:
    one = Ventilator(sends_voltage=True, gauge=lambda c: whole(c if c > 60.0 or c < 50.0 else 60.0))
    other = Ventilator(sends_voltage=True, gauge=one.gauge)
    while one.charge > 0.0:
        assert one.report() == other.report()
        other.battery = STATE.validate_json(STATE.dump_json(other.battery))
        one.pass_time(10.0)
        other.pass_time(10.0)


def test_the_state_stays_small() -> None:
    ventilator = Ventilator(current_a=0.05, sends_voltage=True, gauge=lambda c: round(c, 1))
    sizes = []
    for _ in range(10):
        ventilator.run(240.0)
        sizes.append(len(STATE.dump_json(ventilator.battery)))
    assert max(sizes) < 12_000
    assert sizes[-1] < 1.3 * max(sizes[:3])


@settings(max_examples=100)
@given(
    charge=st.integers(5, 100),
    current_a=st.floats(0.1, 2.0),
    capacity_ah=st.floats(1.0, 10.0),
)
def test_more_charge_or_less_draw_is_never_less_time(
    charge: int, current_a: float, capacity_ah: float
) -> None:
    def minutes(charge: float, current_a: float) -> tuple[float, float]:
        made = follow(
            Battery(), Report(START_MS, True, charge, current_a, None, capacity_ah)
        ).estimate
        assert made is not None
        assert made.minutes is not None
        assert made.low is not None
        return made.minutes, made.low

    here = minutes(float(charge), current_a)
    for other in (minutes(charge - 1.0, current_a), minutes(float(charge), 1.1 * current_a)):
        assert other[0] <= here[0] + 1e-9
        assert other[1] <= here[1] + 1e-9


# -- arguments of the laws ------------------------------------------------------------------------

CALLS: list[tuple[str, Callable[[float], object]]] = [
    ("one_ampere_capacity_ah", lambda x: laws.hours_from_one_ampere_capacity(x, 5.0, 1.2)),
    ("current_a", lambda x: laws.hours_from_one_ampere_capacity(100.0, x, 1.2)),
    ("exponent", lambda x: laws.hours_from_one_ampere_capacity(100.0, 5.0, x)),
    ("capacity_ah", lambda x: laws.hours_from_rated_capacity(x, 20.0, 5.0, 1.2)),
    ("rating_h", lambda x: laws.hours_from_rated_capacity(100.0, x, 5.0, 1.2)),
    ("current_a", lambda x: laws.hours_from_rated_capacity(100.0, 20.0, x, 1.2)),
    ("exponent", lambda x: laws.hours_from_rated_capacity(100.0, 20.0, 5.0, x)),
    ("nominal_h", lambda x: laws.delivered_share(x, 20.0, 1.2)),
    ("rating_h", lambda x: laws.delivered_share(5.0, x, 1.2)),
    ("exponent", lambda x: laws.delivered_share(5.0, 20.0, x)),
    ("energy_wh", lambda x: laws.minutes_from_energy(x, 0.8, 6.5)),
    ("usable_share", lambda x: laws.minutes_from_energy(26.0, x, 6.5)),
    ("power_w", lambda x: laws.minutes_from_energy(26.0, 0.8, x)),
    ("from_percent", lambda x: laws.minutes_from_slope(x, 76.0, 15.0)),
    ("to_percent", lambda x: laws.minutes_from_slope(82.0, x, 15.0)),
    ("minutes", lambda x: laws.minutes_from_slope(82.0, 76.0, x)),
    ("cutoff_percent", lambda x: laws.minutes_from_slope(82.0, 76.0, 15.0, x)),
]


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, -1.0])
@pytest.mark.parametrize(("name", "call"), CALLS)
def test_a_bad_argument_is_named(name: str, call: Callable[[float], object], bad: float) -> None:
    with pytest.raises(ValueError, match=rf"^{name} "):
        call(bad)


def test_arguments_that_only_the_law_forbids() -> None:
    calls: list[tuple[Callable[[], float], str]] = [
        (lambda: laws.delivered_share(5.0, 20.0, 0.9), "exponent"),
        (lambda: laws.minutes_from_energy(26.0, 1.1, 6.5), "usable_share"),
        (lambda: laws.minutes_from_slope(101.0, 76.0, 15.0), "from_percent"),
        (lambda: laws.minutes_from_slope(76.0, 76.0, 15.0), "to_percent"),
    ]
    for call, name in calls:
        with pytest.raises(ValueError, match=rf"^{name} "):
            call()
    assert laws.minutes_from_slope(82.0, 5.0, 15.0, 10.0) == 0.0
    assert laws.delivered_share(40.0, 20.0, 1.2) == 1.0
