"""Breaths do not depend on how a stream was cut into blocks: the same bits come out."""

from __future__ import annotations

import math
import random
from dataclasses import fields, replace
from functools import cache
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pressure_course import BEGIN_S, Bump, Course, Push, even, squeeze
from pydantic import TypeAdapter
from wave_shapes import Expiration, Sample

from service.signals.breaths import BreathFinder, Found
from service.signals.capnogram import Capnogram, Co2Breath
from service.signals.windows import Extremes


@cache
def _pressure() -> tuple[Sample, ...]:
    """Noise, drift, lost samples, a lost stretch, efforts, coughs, a squeezed bag, a limit."""
    course = Course(pushes=even(15, 0.6, 1.4, 14.0), noise_cmh2o=0.1, limit_cmh2o=30.0)
    course.pushes.append(Push(35.0, 1.1, 18.0, form=squeeze))
    course.pushes += [Push(38.0 + 2.0 * n, 0.6, 32.0 if n == 2 else 12.0) for n in range(5)]
    course.bumps = [Bump(11.75, 0.2, -3.0), Bump(15.2, 0.3, -3.0), Bump(14.3, 0.2, -5.0)]
    course.bumps += [Bump(19.2, 0.1, 25.0), Bump(21.1, 0.08, 25.0), Bump(21.25, 0.08, 30.0)]
    course.peep = lambda t: 0.5 * math.sin(t / 5.0)
    chance = random.Random(1)
    return tuple(
        (t, None if chance.random() < 0.02 or 25.0 < t - BEGIN_S < 25.7 else p)
        for t, p in course.samples()
    )


@cache
def _co2() -> tuple[Sample, ...]:
    chance = random.Random(2)
    wave = Expiration(inspiration_s=0.5, expiration_s=1.1, noise=0.3)
    return tuple((t, None if chance.random() < 0.05 else c) for t, c in wave.samples(40))


CUTS = st.lists(st.integers(0, 4900), max_size=60).map(sorted)
STATE = TypeAdapter(BreathFinder)


def _pieces(samples: tuple[Sample, ...], cuts: list[int]) -> list[list[Sample]]:
    edges = [0, *cuts, len(samples)]
    return [list(samples[a:b]) for a, b in pairwise(edges)]


def _breaths(
    samples: tuple[Sample, ...], cuts: list[int], *, stored: bool = False
) -> tuple[Found, BreathFinder]:
    """All that is found, in order, and the state at the end; each piece from a stored state."""
    finder = BreathFinder()
    total = Found()
    for piece in _pieces(samples, cuts):
        if stored:
            finder = STATE.validate_json(STATE.dump_json(finder))
        _gather(total, finder.feed(piece, "d:e:1"))
    end = replace(finder)
    _gather(total, STATE.validate_json(STATE.dump_json(finder)).finish())
    return total, end


def _gather(total: Found, found: Found) -> None:
    for part in fields(Found):
        getattr(total, part.name).extend(getattr(found, part.name))


def test_the_stream_holds_all_that_can_be_found() -> None:
    whole, _ = _breaths(_pressure(), [])
    assert {one.kind for one in whole.inflations} == {"ventilator", "assisted", "hand"}
    assert len(whole.inflations) >= 18
    assert len(whole.breaths) == len(whole.inflations)
    assert whole.efforts
    assert len(whole.artefacts) >= 2
    assert any("limit" in one.doubt for one in whole.inflations)
    assert any("lost" in one.doubt for one in whole.inflations)
    assert any(one.effort_cmh2o is not None for one in whole.inflations)


@settings(max_examples=60, deadline=None)
@given(CUTS)
def test_pressure(cuts: list[int]) -> None:
    # Data classes compare all of their fields, floats bit for bit.
    assert _breaths(_pressure(), cuts) == _breaths(_pressure(), [])


@settings(max_examples=25, deadline=None)
@given(CUTS)
def test_pressure_with_a_stored_state_at_each_cut(cuts: list[int]) -> None:
    assert _breaths(_pressure(), cuts, stored=True) == _breaths(_pressure(), [])


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


@pytest.mark.parametrize("step", [1, 7])
def test_sample_by_sample(step: int) -> None:
    samples = _pressure()
    cuts = list(range(0, len(samples), step))
    assert _breaths(samples, cuts) == _breaths(samples, [])
    assert _breaths(samples, cuts[:: max(1, 40 // step)], stored=True) == _breaths(samples, [])


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


@given(
    st.lists(
        st.lists(st.tuples(st.floats(-2.0, 2.0), st.none() | st.floats(-50.0, 250.0)), max_size=30),
        max_size=8,
    )
)
def test_a_block_of_samples_is_taken_as_one_by_one(
    blocks: list[list[tuple[float, float | None]]],
) -> None:
    """Also where a clock leaps back, and where samples are lost."""
    at_once, one_by_one, t = Extremes(), Extremes(), BEGIN_S
    for block in blocks:
        samples = []
        for step_s, value in block:
            t += step_s
            samples.append((t, value))
            if value is not None:
                one_by_one.add(t, value)
        at_once.take(samples)
    assert at_once == one_by_one
