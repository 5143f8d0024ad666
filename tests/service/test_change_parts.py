"""Parts of the watch of changes by themselves: which breaths count, and when two are not alike.

Expected values follow from the definitions in `service.signals` (constant flow into one lung behind
a resistance: Bates, Lung Mechanics, 2009).
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from change_bench import BY_NAME, Bench, wrong

from service.known import SettingsInfo
from service.lung import lung_of
from service.signals.breaths import Inflation
from service.signals.changes import ChangeWatch
from service.signals.flow import KEPT_S, MAX_KEPT_SAMPLES, FlowTrack
from service.signals.inflation_law import Rise, marks_of, with_other_flow
from service.signals.ramp import PROFILE_AT

TI_S, DRIVING = 0.6, 10.0


def _inflation(start_s: float, slope: float = 15.0, step: float = 1.0) -> Inflation:
    """A straight ramp that ends at 10 cmH2O."""
    ti_s = (DRIVING - step) / slope
    return Inflation(
        start_s=start_s,
        ti_s=ti_s,
        pip_cmh2o=DRIVING,
        baseline_cmh2o=0.0,
        step_cmh2o=step,
        slope_cmh2o_per_s=slope,
        period_s=2.0,
        reference="d:e:1",
        bend=1.0,
        bend_sd=0.02,
        foot_s=0.01,
        profile_cmh2o=tuple(step + slope * share * ti_s for share in PROFILE_AT),
        ti_sd_s=0.002,
        pip_sd_cmh2o=0.02,
        step_sd_cmh2o=0.02,
    )


def _fed(watch: ChangeWatch, count: int, from_s: float, slope: float = 15.0) -> float:
    for at in range(count):
        watch.add(_inflation(from_s + 2.0 * at, slope), 10.0, 0.05)
    return from_s + 2.0 * count


def test_flow_that_changes_while_learning_begins_it_anew() -> None:
    watch = ChangeWatch()
    now_s = _fed(watch, 4, 0.0)
    watch.settings_changed(2.0, now_s)
    now_s = _fed(watch, 5, now_s, slope=30.0)
    assert watch.usual is None
    _fed(watch, 1, now_s, slope=30.0)
    assert watch.usual is not None
    assert watch.usual.slope == pytest.approx(30.0)


def test_breaths_from_before_a_change_of_settings_are_passed_over() -> None:
    watch = ChangeWatch()
    now_s = _fed(watch, 6, 0.0)
    assert watch.usual is not None
    # The message says that in 7 s all is half as fast; until then breaths are as before.
    watch.settings_changed(0.5, now_s + 7.0)
    now_s = _fed(watch, 4, now_s)
    assert len(watch.recent) == 0
    _fed(watch, 4, now_s, slope=7.5)
    assert watch.change is not None
    assert len(watch.recent) == 3
    # A clock that is far ahead must not silence the watch for good.
    watch.settings_changed(1.0, 1e9)
    _fed(watch, 10, now_s + 8.0, slope=7.5)
    assert len(watch.recent) == 3


@pytest.mark.parametrize(
    ("worse", "used"),
    [
        ({"kind": "assisted"}, False),
        ({"kind": "hand"}, False),
        ({"quality": 0.45}, False),
        ({"quality": 0.5}, True),
        ({"profile_cmh2o": None}, False),
        ({"slope_cmh2o_per_s": None}, False),
        ({"step_cmh2o": None}, False),
        ({"slope_cmh2o_per_s": 0.0}, False),
        ({"step_sd_cmh2o": None, "foot_s": None, "bend": None, "bend_sd": None}, True),
    ],
)
def test_which_inflations_count(worse: dict[str, object], used: bool) -> None:
    changed = replace(_inflation(0.0), **worse)  # type: ignore[arg-type]  # named by key
    assert (marks_of(changed) is not None) == used


@pytest.mark.parametrize("what", ["time", "pressure"])
def test_first_sight_of_breaths_that_are_not_alike_is_not_sure(what: str) -> None:
    watch = ChangeWatch()
    now_s = _fed(watch, 6, 0.0)
    odd = [_inflation(now_s + 2.0, slope=30.0), _inflation(now_s + 4.0, slope=45.0)]
    if what == "pressure":
        # As long as before, but by another way.
        bent = (4.0, 6.0, 8.0, 9.0)
        odd = [replace(_inflation(now_s + 2.0), profile_cmh2o=bent)]
    for inflation in (_inflation(now_s), *odd):
        watch.add(inflation, 10.0, 0.05)
    assert watch.change is not None
    assert watch.change.cause != "none"
    assert watch.change.confidence <= 0.5


def test_what_goes_on_changing_is_as_sure_as_it_fits_when_seen_again() -> None:
    watch = ChangeWatch()
    now_s = _fed(watch, 7, 0.0)
    told = []
    # Each is steeper by a third, so no two are ever alike.
    for at, slope in enumerate((20.0, 26.0, 34.0, 44.0)):
        watch.add(_inflation(now_s + 2.0 * at, slope), 10.0, 0.05)
        assert watch.change is not None
        told.append(watch.change)
    assert [change.cause for change in told[2:]] == ["compliance-down"] * 2
    assert told[2].confidence == 0.5
    assert told[3].confidence > 0.6


def test_far_apart_is_not_together() -> None:
    watch = ChangeWatch()
    now_s = _fed(watch, 9, 0.0)
    _fed(watch, 1, now_s + 59.0 - 2.0)
    assert len(watch.recent) == 3
    _fed(watch, 1, now_s + 59.0 - 2.0 + 60.0)
    assert len(watch.recent) == 1
    # A clock that was set back.
    _fed(watch, 1, 5.0)
    assert len(watch.recent) == 1


def test_rise_with_a_leak_against_the_closed_form() -> None:
    # Without resistance: P = Q/G (1 - exp(-G u/C)), its slope exp(-G u/C) of that at the start.
    flow, compliance, leak = 10.0, 0.5, 0.6
    rise = Rise(flow / compliance, 0.0, 0.0, 0.0, lost_per_cmh2o=leak / flow)
    for u in (0.1, 0.5, 1.5):
        folds = leak * u / compliance
        assert rise.at(u) == pytest.approx(flow / leak * -math.expm1(-folds))
        assert rise.bend(u) == pytest.approx(math.exp(-folds))
    # With a step and without its foot the slope falls as the pressure itself does.
    stepped = Rise(20.0, 2.0, 0.0, 0.0, lost_per_cmh2o=0.06)
    h = 1e-5
    slopes = [(stepped.at(u + h) - stepped.at(u)) / h for u in (0.0, 0.5)]
    assert stepped.bend(0.5) == pytest.approx(slopes[1] / slopes[0], rel=1e-3)
    # Twice the flow loses half the share to the same leak.
    assert with_other_flow(rise, 2.0).at(0.5) == pytest.approx(2.0 * rise.at(0.5))


def test_pressure_that_sags_after_the_target_is_a_leak() -> None:
    # A relief valve just over the target holds what the blocked valve does not let out.
    bench = Bench(BY_NAME["cat"], relief_cmh2o=12.3)
    bench.settle()
    bench.mark()
    bench.fault(exhalation_blocked=True)
    bench.run(8.0)
    assert bench.told[-1].cause == "exhalation-blocked"
    assert not wrong(bench.told, "exhalation-blocked")
    bench.mark()
    # What comes in leaves at seven tenths of the target.
    bench.fault(leak=bench.animal.flow_ml_per_s / (0.7 * bench.animal.target))
    bench.run(3.0)
    assert bench.told[-1].cause == "leak"
    assert not wrong(bench.told, "leak", "exhalation-blocked")


def test_flow_track_is_bounded_in_time_and_size() -> None:
    track = FlowTrack()
    track.feed((at / 10.0, 1.0) for at in range(2000))
    assert track.samples[-1][0] - track.samples[0][0] == pytest.approx(KEPT_S, abs=0.11)
    assert KEPT_S <= 60.0
    track.feed((200.0 + at / 500.0, 1.0) for at in range(5000))
    assert len(track.samples) == MAX_KEPT_SAMPLES
    assert MAX_KEPT_SAMPLES <= 4000


@pytest.mark.parametrize(("bend", "sd", "lower"), [(0.8, 0.02, True), (0.8, 0.12, False),
                                                   (0.95, 0.001, False)])  # fmt: skip
def test_only_a_ramp_that_flags_beyond_doubt_lowers_the_low_end(
    bend: float, sd: float, lower: bool
) -> None:
    settings = SettingsInfo(fresh_gas_flow=600.0, circuit_compliance=0.05)
    straight = lung_of(_inflation(0.0), settings)
    bent = lung_of(replace(_inflation(0.0), bend=bend, bend_sd=sd), settings)
    assert straight is not None
    assert bent is not None
    assert bent.tidal_ml.value == straight.tidal_ml.value
    assert (bent.tidal_ml.low < 0.95 * straight.tidal_ml.low) == lower
