"""Breaths in CO2 at any sampling rate: the same bits for any cut, and nothing from the future."""

from __future__ import annotations

import json
import random
from functools import cache
from itertools import pairwise

import pytest
from capnogram_waves import BEGIN_S, Wave, make
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from service.signals.capnogram import MAX_POINTS, Capnogram, Co2Breath
from service.signals.capnogram_points import Points

Sample = tuple[float, float | None]
RATES_HZ = (10.0, 25.0, 62.5, 100.0, 500.0)
STORED = TypeAdapter(Capnogram)


@cache
def stream(rate_hz: float) -> tuple[Sample, ...]:
    """Breaths with every flaw, a lost stretch, single lost samples and jitter of the clock."""
    chance = random.Random(rate_hz)
    wave = Wave(rate_hz=rate_hz, rr=55.0, inspired=3.0, rise_10_90_s=0.2, noise=0.4, ripple=0.5,
                notch=5.0, drift=1.0, breaths=14, seed=3)  # fmt: skip
    samples: list[Sample] = []
    for t, co2 in make(wave).samples:
        lost = chance.random() < 0.03 or 6.0 < t - BEGIN_S < 6.8
        samples.append((t + chance.uniform(0.0, 0.2 / rate_hz), None if lost else co2))
    return tuple(samples)


def run(samples: tuple[Sample, ...], cuts: list[int]) -> tuple[list[Co2Breath], Capnogram]:
    """All breaths, and the state at the end."""
    capnogram, breaths = Capnogram(), []
    for a, b in pairwise([0, *cuts, len(samples)]):
        breaths += capnogram.feed(list(samples[a:b]), "d:e:1")
    return breaths, capnogram


@settings(max_examples=60, deadline=None)
@given(
    rate_hz=st.sampled_from(RATES_HZ),
    shares=st.lists(st.floats(0.0, 1.0), max_size=40).map(sorted),
)
def test_any_cut_gives_the_same_bits(rate_hz: float, shares: list[float]) -> None:
    samples = stream(rate_hz)
    whole = run(samples, [])
    assert len(whole[0]) >= 9
    assert run(samples, [int(share * len(samples)) for share in shares]) == whole


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_sample_by_sample(rate_hz: float) -> None:
    samples = stream(rate_hz)
    assert run(samples, list(range(1, len(samples)))) == run(samples, [])


@settings(max_examples=40, deadline=None)
@given(rate_hz=st.sampled_from(RATES_HZ), share=st.floats(0.0, 1.0))
def test_what_comes_later_changes_no_breath_that_is_known(rate_hz: float, share: float) -> None:
    samples = stream(rate_hz)
    known = samples[: int(share * len(samples))]
    early = run(known, [])[0]
    assert run(samples, [])[0][: len(early)] == early
    assert all(breath.end_s <= known[-1][0] for breath in early)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_breath_is_known_before_the_next_begins(rate_hz: float) -> None:
    samples, breaths = stream(rate_hz), []
    capnogram = Capnogram()
    for sample in samples:
        for breath in capnogram.feed([sample], "d:e:1"):
            # Within the fall: at most a point (20 ms) and a sample after the one that told it.
            assert sample[0] - breath.end_s <= 0.02 + 1.5 / rate_hz
            breaths.append(breath)
    assert all(a.end_s <= b.start_s for a, b in pairwise(breaths))


@settings(max_examples=25, deadline=None)
@given(rate_hz=st.sampled_from(RATES_HZ), share=st.floats(0.0, 1.0))
def test_taken_up_from_what_was_written_down(rate_hz: float, share: float) -> None:
    samples = stream(rate_hz)
    cut = int(share * len(samples))
    first, capnogram = run(samples[:cut], [])
    again = STORED.validate_json(json.dumps(json.loads(STORED.dump_json(capnogram))))
    assert [*first, *again.feed(list(samples[cut:]), "d:e:1")] == run(samples, [])[0]


def test_uneven_fast_samples_are_all_used() -> None:
    """Two that come fast and one that comes late: each third of them counts for as much."""
    points, seen, t = Points(), [], BEGIN_S
    for number in range(300):
        dt = 0.0 if number == 0 else 0.016 if number % 3 == 0 else 0.004
        t += dt
        seen += points.add(t, float(number % 3), dt)
    assert len(seen) == 198
    assert [value for _, value in seen[:4]] == [1.0, 0.0, 1.5, 0.0]
    assert all(a < b for (a, _), (b, _) in pairwise(seen))


def test_state_stays_small_however_long_a_breath_lasts() -> None:
    capnogram = Capnogram()
    for at in range(60 * 500):
        capnogram.feed([(BEGIN_S + at / 500.0, 40.0 if at > 500 else 0.0)], "d:e:1")
    assert len(capnogram.times) == len(capnogram.values) <= MAX_POINTS
    falls = [(BEGIN_S + 60.0 + at / 500.0, 0.0) for at in range(100)]
    (breath,) = capnogram.feed(falls, "d:e:1")
    assert breath.etco2_mmhg == pytest.approx(40.0, abs=0.1)
    assert breath.expired_s == pytest.approx(59.0, abs=0.1)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("level", [0.0, 20.0, 45.0])
def test_gas_that_stands_is_no_breath_at_any_noise(rate_hz: float, level: float) -> None:
    """Noise of 0.5 mmHg, and the heart moving standing gas by 1 mmHg up and down."""
    chance = random.Random(4)
    beats = Wave(rate_hz=rate_hz, rr=4.0, etco2=level, inspired=level, slope=0.0, noise=0.5,
                 ripple=1.0 if level else 0.0, ripple_hz=4.0, breaths=12, seed=9)  # fmt: skip
    assert run(tuple(make(beats).samples), [])[0] == []
    white = [(BEGIN_S + at / rate_hz, level + chance.gauss(0.0, 1.0)) for at in range(6000)]
    assert run(tuple(white), [])[0] == []
