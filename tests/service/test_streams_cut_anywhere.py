"""Breaths do not depend on how a stream was cut into blocks: the same bits come out."""

from __future__ import annotations

import math
import random
from functools import cache
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st
from wave_shapes import BEGIN_S, Expiration, Sample, Ventilation

from service.signals.breaths import Breath, BreathFinder, Inflation
from service.signals.capnogram import Capnogram, Co2Breath
from service.signals.windows import Extremes


@cache
def _pressure() -> tuple[Sample, ...]:
    """Half a minute with noise, drift, lost samples, a lost stretch and an effort."""
    chance = random.Random(1)
    clean = Ventilation(0.6, 1.4, noise=0.1).samples(15)
    samples: list[Sample] = []
    for t, p in clean:
        after_s = t - BEGIN_S
        drift = 0.5 * math.sin(after_s / 5.0)
        effort = 3.0 if 8.0 < after_s < 8.2 else 0.0
        lost = chance.random() < 0.02 or 20.0 < after_s < 20.7
        samples.append((t, None if lost else p + drift - effort))
    return tuple(samples)


@cache
def _co2() -> tuple[Sample, ...]:
    chance = random.Random(2)
    wave = Expiration(inspiration_s=0.5, expiration_s=1.1, noise=0.3)
    return tuple((t, None if chance.random() < 0.05 else c) for t, c in wave.samples(40))


CUTS = st.lists(st.integers(0, 3100), max_size=60).map(sorted)


def _pieces(samples: tuple[Sample, ...], cuts: list[int]) -> list[list[Sample]]:
    edges = [0, *cuts, len(samples)]
    return [list(samples[a:b]) for a, b in pairwise(edges)]


def _breaths(
    samples: tuple[Sample, ...], cuts: list[int]
) -> tuple[list[Inflation], list[Breath], BreathFinder]:
    finder = BreathFinder()
    inflations: list[Inflation] = []
    breaths: list[Breath] = []
    for piece in _pieces(samples, cuts):
        found = finder.feed(piece, "d:e:1")
        inflations += found.inflations
        breaths += found.breaths
    return inflations, breaths, finder


@settings(max_examples=60)
@given(CUTS)
def test_pressure(cuts: list[int]) -> None:
    whole = _breaths(_pressure(), [])
    assert len(whole[0]) > 10
    assert _breaths(_pressure(), cuts) == whole


@settings(max_examples=60)
@given(CUTS)
def test_co2(cuts: list[int]) -> None:
    def run(at: list[int]) -> tuple[list[Co2Breath], Capnogram]:
        capnogram = Capnogram()
        pieces = _pieces(_co2(), at)
        return [b for piece in pieces for b in capnogram.feed(piece, "d:e:1")], capnogram

    whole = run([])
    assert len(whole[0]) > 30
    assert run(cuts) == whole


def test_sample_by_sample() -> None:
    samples = _pressure()
    assert _breaths(samples, list(range(len(samples)))) == _breaths(samples, [])


@settings(max_examples=100)
@given(
    st.lists(st.tuples(st.floats(0.0, 0.8), st.floats(-50.0, 250.0)), min_size=1, max_size=80),
    st.floats(0.0, 3.0),
    st.sampled_from([2.0, 5.0, 10.0]),
)
def test_extremes_of_a_window_are_those_of_its_samples(
    steps: list[tuple[float, float]], age_s: float, seconds: float
) -> None:
    """Right to within one bucket of half a second: never older, and nothing newer is missed."""
    extremes, t = Extremes(), BEGIN_S
    samples = []
    for step_s, value in steps:
        t += step_s
        extremes.add(t, value)
        samples.append((t, value))
    now_s = t + age_s
    found = extremes.over(now_s, seconds)
    surely = [value for at, value in samples if at >= now_s - seconds + 0.5]
    perhaps = [value for at, value in samples if at >= now_s - seconds]
    if found is None:
        assert not surely
        return
    assert perhaps
    assert min(perhaps) <= found[0] <= found[1] <= max(perhaps)
    if surely:
        assert found[0] <= min(surely)
        assert max(surely) <= found[1]


def test_extremes_on_whole_buckets_are_exact() -> None:
    extremes = Extremes()
    for at in range(200):
        extremes.add(BEGIN_S + at / 10.0, float(at % 37))
    now_s = BEGIN_S + 19.9
    for seconds in (5.0, 10.0):
        inside = [at % 37 for at in range(200) if 19.9 - at / 10.0 < seconds - 0.4]
        assert extremes.over(now_s, seconds) == (min(inside), max(inside))


def test_a_window_without_samples_has_none() -> None:
    extremes = Extremes()
    assert extremes.over(BEGIN_S, 10.0) is None
    extremes.add(BEGIN_S, 5.0)
    assert extremes.over(BEGIN_S + 9.0, 10.0) == (5.0, 5.0)
    assert extremes.over(BEGIN_S + 10.5, 10.0) is None


def test_extremes_keep_no_more_than_their_time() -> None:
    extremes = Extremes()
    for at in range(100_000):
        extremes.add(BEGIN_S + at / 100.0, float(at))
    assert len(extremes.buckets) <= 21
