"""Fitting a lung to its ramp: bad arguments are refused by name; properties of every fit."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.physiology import compartment, flow_volume
from service.physiology.compartment import Breath, Ramp
from service.physiology.flow_volume import FlowErrors
from service.physiology.uncertain import Uncertain, by_sd, by_share, difference, product

RAMP = Ramp(10.0, 18.0, 0.4, 0.1, 0.05, 0.05, 0.1, 0.1)
BREATH = Breath(10.0, 0.5, 12.0, 2.0, 0.1, 0.05, 0.01, 0.2, 0.1)
TIMES = [0.0, 0.1, 0.2, 0.3]
FLOWS = [1.0, 1.0, -1.0, -1.0]

CALLS: list[tuple[str, Callable[[float], object]]] = [
    ("flow_ml_per_s", lambda bad: replace(RAMP, flow_ml_per_s=bad)),
    ("slope_cmh2o_per_s", lambda bad: replace(RAMP, slope_cmh2o_per_s=bad)),
    ("circuit_ml_per_cmh2o", lambda bad: replace(RAMP, circuit_ml_per_cmh2o=bad)),
    ("flow_share_sd", lambda bad: replace(RAMP, flow_share_sd=bad)),
    ("slope_share_sd", lambda bad: replace(RAMP, slope_share_sd=bad)),
    ("offset_sd_cmh2o", lambda bad: replace(RAMP, offset_sd_cmh2o=bad)),
    ("circuit_share_sd", lambda bad: replace(RAMP, circuit_share_sd=bad)),
    ("flow_ml_per_s", lambda bad: replace(BREATH, flow_ml_per_s=bad)),
    ("ti_s", lambda bad: replace(BREATH, ti_s=bad)),
    ("rise_cmh2o", lambda bad: replace(BREATH, pip_cmh2o=2.0 + bad)),
    ("circuit_ml_per_cmh2o", lambda bad: replace(BREATH, circuit_ml_per_cmh2o=bad)),
    ("ti_sd_s", lambda bad: replace(BREATH, ti_sd_s=bad)),
    ("pressure_sd_cmh2o", lambda bad: replace(BREATH, pressure_sd_cmh2o=bad)),
    ("flow_share_sd", lambda bad: replace(BREATH, flow_share_sd=bad)),
    ("circuit_share_sd", lambda bad: replace(BREATH, circuit_share_sd=bad)),
    ("compliance_ml_per_cmh2o", lambda bad: compartment.ramp_of(bad, 60.0, 10.0)),
    ("resistance_cmh2o_s_per_l", lambda bad: compartment.ramp_of(0.45, bad, 10.0)),
    ("flow_ml_per_s", lambda bad: compartment.ramp_of(0.45, 60.0, bad)),
    ("circuit_ml_per_cmh2o", lambda bad: compartment.ramp_of(0.45, 60.0, 10.0, bad)),
    ("sample_sd_ml_per_s", FlowErrors),
    ("scale_share_sd", lambda bad: FlowErrors(0.1, bad)),
    ("sd", lambda bad: by_sd(1.0, bad)),
    ("value", lambda bad: by_share(bad, 0.1)),
    ("relative_sd", lambda bad: by_share(1.0, bad)),
]


@pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf, -math.inf])
@pytest.mark.parametrize(("name", "call"), CALLS)
def test_bad_arguments_are_named(name: str, call: Callable[[float], object], bad: float) -> None:
    with pytest.raises(ValueError, match=rf"\b{name}\b"):
        call(bad)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_an_offset_must_be_finite(bad: float) -> None:
    with pytest.raises(ValueError, match="offset_cmh2o"):
        replace(RAMP, offset_cmh2o=bad)


@pytest.mark.parametrize(
    ("times", "flows", "inspired", "paused", "words"),
    [
        (TIMES, FLOWS[:3], [(0.0, 0.1)], None, "alike"),
        (TIMES[:2], FLOWS[:2], [(0.0, 0.1)], None, "at least 3"),
        (TIMES, [1.0, math.nan, 0.0, 0.0], [(0.0, 0.1)], None, "finite"),
        ([0.0, 0.1, 0.1, 0.3], FLOWS, [(0.0, 0.1)], None, "rise"),
        (TIMES, FLOWS, [], None, "inspirations_s"),
        (TIMES, FLOWS, [(0.0, 0.4)], None, "inspirations_s"),
        (TIMES, FLOWS, [(0.2, 0.1)], None, "inspirations_s"),
        (TIMES, FLOWS, [(0.0, 0.1)], [(-0.2, 0.1)], "pauses_s"),
        (TIMES, FLOWS, [(0.0, 0.1)], [], "pauses_s"),
    ],
)
def test_flow_that_cannot_be_integrated(
    times: list[float],
    flows: list[float],
    inspired: list[tuple[float, float]],
    paused: list[tuple[float, float]] | None,
    words: str,
) -> None:
    with pytest.raises(ValueError, match=words):
        flow_volume.integrated_volume_ml(times, flows, inspired, paused)


def test_a_circuit_that_could_be_all_there_is_leaves_no_lung() -> None:
    # Q/slope is 0.556 mL/cmH2O: a circuit of 0.5 could be all of it when known to 5 % only.
    with pytest.raises(ValueError, match="tells no lung"):
        compartment.compartment_of(replace(RAMP, circuit_ml_per_cmh2o=0.5))
    exact = Ramp(10.0, 18.0, 0.4, 0.5)
    found = compartment.compartment_of(exact).compliance_ml_per_cmh2o
    assert found.value == pytest.approx(10.0 / 18.0 - 0.5)
    with pytest.raises(ValueError, match="tells no lung"):
        compartment.compartment_of(replace(exact, circuit_ml_per_cmh2o=10.0 / 18.0))


@pytest.mark.parametrize("slope_sd", [1.1, 20.0, 1e3, 1e9])
@pytest.mark.parametrize("circuit", [0.0, 0.1])
def test_a_slope_that_is_hardly_known_tells_no_lung(slope_sd: float, circuit: float) -> None:
    # A ramp of two samples in noise: its error in the exponent must not end the service either.
    ramp = Ramp(10.0, 10.0, 0.4, circuit, 0.04, slope_sd, 0.1, 0.15)
    with pytest.raises(ValueError, match="tells no lung"):
        compartment.compartment_of(ramp)


@pytest.mark.parametrize(
    ("circuit", "flow_sd", "slope_sd", "circuit_sd"),
    [
        # The low end of the compliance is just below zero, the resistance could be told.
        (0.57506, 0.20106, 0.27222, 0.0),
        # The other way round.
        (0.63835, 0.0, 0.25063, 0.11089),
    ],
)
def test_neither_is_told_when_one_of_both_cannot_be(
    circuit: float, flow_sd: float, slope_sd: float, circuit_sd: float
) -> None:
    ramp = Ramp(10.0, 10.0, 0.4, circuit, flow_sd, slope_sd, 0.0, circuit_sd)
    with pytest.raises(ValueError, match="tells no lung"):
        compartment.compartment_of(ramp)


@pytest.mark.parametrize("name", ["flow_ml_per_s", "slope_cmh2o_per_s", "circuit_ml_per_cmh2o"])
def test_one_error_alone_moves_the_resistance_as_far_as_the_formula_does(name: str) -> None:
    exact = Ramp(10.0, 18.0, 0.4, 0.1)
    share_sd = {"flow_ml_per_s": "flow", "slope_cmh2o_per_s": "slope"}.get(name, "circuit")
    found = compartment.compartment_of(replace(exact, **{f"{share_sd}_share_sd": 0.05}))
    moved = [
        compartment.compartment_of(
            replace(exact, **{name: getattr(exact, name) * math.exp(sign * 1.6448536 * 0.05)})
        ).resistance_cmh2o_s_per_l.value
        for sign in (-1.0, 1.0)
    ]
    ends = (found.resistance_cmh2o_s_per_l.low, found.resistance_cmh2o_s_per_l.high)
    assert ends == pytest.approx(sorted(moved), rel=1e-6)


def test_small_errors_together_add_as_squares() -> None:
    # Propagation of independent errors, first order: squares of the single logarithms add up.
    exact = Ramp(10.0, 18.0, 0.4, 0.2)
    names = ("flow_share_sd", "slope_share_sd", "circuit_share_sd")
    sds = dict(zip(names, (0.0004, 0.0005, 0.0006), strict=True))

    def width(ramp: Ramp) -> float:
        found = compartment.compartment_of(ramp).resistance_cmh2o_s_per_l
        return math.log(found.high / found.value)

    single = [width(replace(exact, **{name: sds[name]})) for name in names]
    assert width(replace(exact, **sds)) == pytest.approx(math.hypot(*single), rel=2e-3)


def test_errors_of_both_pressures_count() -> None:
    # Peak and baseline each 0.3 cmH2O off: 0.1 mL/cmH2O x 1.645 x sqrt(2) x 0.3.
    found = compartment.tidal_volume(Breath(10.0, 0.5, 12.0, 2.0, 0.1, pressure_sd_cmh2o=0.3))
    assert found.high - found.value == pytest.approx(0.06979, rel=1e-3)


def test_an_offset_below_zero_is_no_resistance_but_may_hide_one() -> None:
    found = compartment.compartment_of(replace(RAMP, offset_cmh2o=-0.1)).resistance_cmh2o_s_per_l
    assert found.value == found.low == 0.0
    assert found.high > 0.0


def test_an_interval_must_be_in_order() -> None:
    for value, low, high in ((1.0, 2.0, 3.0), (4.0, 2.0, 3.0), (math.nan, 0.0, 1.0)):
        with pytest.raises(ValueError, match="value"):
            Uncertain(value, low, high)
    assert 2.5 in Uncertain(2.4, 2.0, 3.0)
    assert 3.1 not in Uncertain(2.4, 2.0, 3.0)
    assert 1.9 not in Uncertain(2.4, 2.0, 3.0)


shares = st.floats(0.0, 0.3)


@settings(max_examples=200)
@given(
    c=st.floats(0.02, 20.0),
    r=st.floats(1.0, 1000.0),
    q=st.floats(1.0, 100.0),
    cc=st.floats(0.0, 2.0),
    sds=st.tuples(shares, shares, shares, shares),
)
def test_a_fit_gives_the_lung_back_or_says_that_it_cannot(
    c: float, r: float, q: float, cc: float, sds: tuple[float, float, float, float]
) -> None:
    slope, offset = compartment.ramp_of(c, r, q, cc)
    ramp = Ramp(q, slope, offset, cc, sds[0], sds[1], sds[2] * offset, sds[3])
    try:
        found = compartment.compartment_of(ramp)
    except ValueError as error:
        assert "tells no lung" in str(error)  # noqa: PT017 - the other outcome is the test
        assert cc > 0.0
        return
    assert found.compliance_ml_per_cmh2o.value == pytest.approx(c, rel=1e-6)
    assert found.resistance_cmh2o_s_per_l.value == pytest.approx(r, rel=1e-6)
    assert c * (1 + 1e-6) >= found.compliance_ml_per_cmh2o.low > 0.0


@settings(max_examples=100)
@given(
    sds=st.tuples(*[st.floats(0.0, 0.2)] * 4), wider=st.sampled_from([0, 1, 2, 3]),
    cc=st.floats(0.0, 0.2),
)  # fmt: skip
def test_less_certain_measurements_never_narrow_the_volume(
    sds: tuple[float, ...], wider: int, cc: float
) -> None:
    more = tuple(sd + 0.1 * (at == wider) for at, sd in enumerate(sds))
    one, other = (
        compartment.tidal_volume(Breath(10.0, 0.5, 12.0, 2.0, cc, s[0], s[1], s[2], s[3]))
        for s in (sds, more)
    )
    assert other.low <= one.low + 1e-9
    assert other.high >= one.high - 1e-9
    assert one.value == other.value


positives = st.builds(by_share, st.floats(0.01, 100.0), st.floats(0.0, 0.5))


@settings(max_examples=100)
@given(positives, positives)
def test_sums_and_products_keep_order(one: Uncertain, other: Uncertain) -> None:
    for found in (difference(one, other), product(one, other)):
        assert found.low <= found.value <= found.high
    turned = difference(other, one)
    assert (turned.low, turned.high) == pytest.approx(
        (-difference(one, other).high, -difference(one, other).low), rel=1e-9, abs=1e-9
    )


@settings(max_examples=60)
@given(
    offset=st.floats(-5.0, 5.0),
    steps=st.lists(st.floats(0.005, 0.03), min_size=40, max_size=80),
)
def test_uneven_samples_and_any_zero_error_give_the_same_volume(
    offset: float, steps: list[float]
) -> None:
    # Constant flow in, then the same volume out: whole breaths balance by construction.
    times = [sum(steps[: at + 1]) for at in range(len(steps))]
    half = len(times) // 2
    edge = (times[half - 1] + times[half]) / 2.0
    first = times[0] - (times[1] - times[0]) / 2.0
    last = times[-1] + (times[-1] - times[-2]) / 2.0
    back = -6.0 * (edge - first) / (last - edge)
    flows = [(6.0 if at < half else back) + offset for at in range(len(times))]
    found = flow_volume.integrated_volume_ml(times, flows, [(first, edge)])
    assert found.volume_ml.value == pytest.approx(6.0 * (edge - first), rel=1e-6)
    assert found.offset_ml_per_s == pytest.approx(offset, abs=1e-6)
