"""What the facts say of the capnogram: its waveform, its baseline, and what the analyser hides."""

from __future__ import annotations

import random
from statistics import median
from typing import Any

import pytest
from capnogram_waves import Wave, make
from service_bench import START_MS, Bed, quantity
from wave_shapes import Ventilation

from rules.vocabulary import CO2_BASELINES, CO2_WAVEFORMS
from service.facts import FactSet, facts_of
from service.facts.capnogram import FROZEN_S
from service.signals.capnogram import Capnogram
from service.signals.capnogram_baseline import BASELINES

RATE_HZ = 25


def at(bed: Bed, after_s: float) -> FactSet:
    """The facts so many seconds after the start."""
    return facts_of(bed.bedside, START_MS + round(1000 * after_s))


def send_co2(bed: Bed, co2: list[float], begin_s: float = 0.0) -> float:
    """Send samples in blocks of a second; returns when the last was received."""
    for first in range(0, len(co2) - RATE_HZ + 1, RATE_HZ):
        at_s = begin_s + first / RATE_HZ
        bed.send("waveform", at_s + 1.0, at_s=at_s, samples=co2[first : first + RATE_HZ],
                 channel="co2", unit="mm[Hg]", rate_hz=RATE_HZ)  # fmt: skip
    return begin_s + len(co2) // RATE_HZ


def breathing(**changes: Any) -> list[float]:
    """Half a minute of breaths at 25 Hz, with a little noise."""
    wave = Wave(**{"rate_hz": 25.0, "rr": 30.0, "noise": 0.1, "breaths": 16, "seed": 4} | changes)
    return [round(value, 2) for _, value in make(wave).samples if value is not None]


def after(co2: list[float], patient: dict[str, Any] | None = None) -> FactSet:
    """The facts once these samples came."""
    bed = Bed()
    if patient is not None:
        bed.send("patient", 0.0, **patient)
    return at(bed, send_co2(bed, co2))


def standing(level: float, seconds: int = 15, noise: float = 0.2) -> list[float]:
    """CO2 that stays where it is."""
    chance = random.Random(5)
    return [round(level + chance.gauss(0.0, noise), 2) for _ in range(seconds * RATE_HZ)]


def test_the_catalogue_has_the_same_labels() -> None:
    assert BASELINES == CO2_BASELINES
    names = {"moving", "no-co2", "standing", "blocked", "frozen", "saturated"}
    assert set(CO2_WAVEFORMS) == names


# -- what the signal does ------------------------------------------------------------------


def test_breathing_moves_the_waveform() -> None:
    facts = after(breathing())
    assert facts.values["co2.waveform"] == "moving"
    assert facts.values["co2.frozen_for"] == 0.0
    assert facts.values["co2.course"] == "steady"
    assert facts.values["co2.notches_60s"] == 0.0


@pytest.mark.parametrize(("level", "name"), [(25.0, "standing"), (0.5, "no-co2"), (0.0, "no-co2")])
def test_no_movement_has_a_name(level: float, name: str) -> None:
    facts = after(standing(level))
    assert facts.values["co2.waveform"] == name
    assert "co2.course" in facts.unknown
    assert facts.values["co2.frozen_for"] == 0.0


def test_a_value_that_never_changes_is_frozen() -> None:
    co2 = breathing()
    bed = Bed()
    end_s = send_co2(bed, [*co2[: len(co2) // RATE_HZ * RATE_HZ], *[31.7] * (6 * RATE_HZ)])
    facts = at(bed, end_s)
    assert facts.values["co2.waveform"] == "frozen"
    assert facts.values["co2.frozen_for"] == pytest.approx(6.0, abs=0.1)
    early = Bed()
    end_s = send_co2(early, [*co2[: len(co2) // RATE_HZ * RATE_HZ], *[31.7] * (2 * RATE_HZ)])
    assert at(early, end_s).values["co2.frozen_for"] == 0.0
    assert FROZEN_S == 3.0


def test_zero_to_the_last_digit_is_not_frozen() -> None:
    """Analysers show exactly 0.0 during inspiration."""
    facts = after([0.0] * (10 * RATE_HZ))
    assert facts.values["co2.waveform"] == "no-co2"
    assert facts.values["co2.frozen_for"] == 0.0


def test_the_end_of_the_range_is_saturation() -> None:
    clipped = [min(99.0, value) for value in breathing(etco2=130.0)]
    facts = after(clipped)
    assert facts.values["co2.waveform"] == "saturated"
    assert facts.values["co2.quality"] <= 0.3
    assert after(breathing(etco2=90.0)).values["co2.waveform"] == "moving"


def test_inflations_that_do_not_move_co2_may_mean_a_blocked_line() -> None:
    bed = Bed()
    pressure = [round(p, 2) for _, p in Ventilation(0.6, 1.4).samples(12, rate_hz=RATE_HZ)]
    co2 = standing(22.0, 24)
    for second in range(24):
        part = slice(RATE_HZ * second, RATE_HZ * (second + 1))
        bed.send("waveform", second + 1.0, at_s=float(second), samples=pressure[part],
                 rate_hz=RATE_HZ)  # fmt: skip
        bed.send("waveform", second + 1.0, at_s=float(second), samples=co2[part], channel="co2",
                 unit="mm[Hg]", rate_hz=RATE_HZ)  # fmt: skip
    facts = at(bed, 24.0)
    assert facts.values["co2.waveform"] == "blocked"
    assert facts.values["co2.agreement"] == 0.0
    assert facts.values["co2.missing_for_inflations"] >= 7.0
    assert facts.unknown["co2.delay"] == "no breath in CO2 fits an inflation"


def test_without_pressure_there_is_no_agreement() -> None:
    facts = after(breathing())
    for name in ("co2.agreement", "co2.missing_for_inflations", "co2.breaths_without_pressure"):
        assert facts.unknown[name] == "airway pressure never received"


# -- the inspired baseline -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("co2", "label"),
    [
        (breathing(), "clear"),
        (breathing(inspired=1.0), "clear"),
        # The same in every inspiration from the first on: the zero is off.
        ([value + 4.0 for value in breathing()], "offset"),
        ([value - 3.0 for value in breathing()], "offset"),
        # Clean at first, then it came up.
        ([*breathing(breaths=8), *breathing(inspired=6.0, breaths=10)], "rebreathing"),
    ],
    ids=["clean", "a trace", "over zero", "under zero", "came up"],
)
def test_raised_inspired_co2(co2: list[float], label: str) -> None:
    assert after(co2).values["co2.baseline"] == label


def test_gas_that_is_washed_away_in_the_inspiration_is_rebreathing() -> None:
    """From the first breath on, but not flat: 12 mmHg that fresh gas takes away."""
    plain = breathing(rr=15.0, inspired_share=0.5, breaths=9)
    falling, gone_s = [], 0.0
    for value in plain:
        gone_s = gone_s + 1.0 / RATE_HZ if value < 5.0 else 0.0
        falling.append(max(value, 14.0 - 5.0 * gone_s) if value < 5.0 else value)
    assert after(falling).values["co2.baseline"] == "rebreathing"


def test_a_slow_analyser_is_not_called_rebreathing() -> None:
    """At 120 /min a 400 ms analyser never comes back to zero, although none is inspired."""
    label = after(breathing(rr=120.0, rise_10_90_s=0.4, breaths=40)).values["co2.baseline"]
    assert label == "unclear"


# -- the plateau ---------------------------------------------------------------------------


def test_a_notch_is_told() -> None:
    facts = after(breathing(notch=7.0, rr=20.0))
    assert facts.values["co2.notches_60s"] >= 4.0
    assert after(breathing(rr=20.0)).values["co2.notch_depth"] == 0.0


def test_no_plateau_is_told() -> None:
    facts = after(breathing(rr=100.0, rise_10_90_s=0.4, breaths=40))
    assert facts.values["co2.plateau"] is False
    assert facts.unknown["co2.plateau_time"] == "the last breath has no plateau"
    assert facts.unknown["co2.plateau_slope"] == "the last breath has no plateau"


# -- what the analyser hides -----------------------------------------------------------------

NAMES = ("etco2.corrected", "etco2.corrected_low", "etco2.corrected_high")


def test_the_measured_value_stays_as_measured() -> None:
    mouse = {"mass": quantity(30.0, "g"), "class": "mammal"}
    plain, told = after(breathing()), after(breathing(), mouse)
    assert told.values["etco2"] == plain.values["etco2"]


def test_of_a_known_analyser_the_smallest_get_a_correction() -> None:
    bed = Bed()
    bed.send("patient", 0.0, mass=quantity(30.0, "g"), **{"class": "mammal"})
    end_s = send_co2(bed, breathing(etco2=18.34))
    assert at(bed, end_s).values["etco2.diluted"] is True
    assert "anything from" in at(bed, end_s).unknown["etco2.corrected"]
    values = {"co2_sampling_flow": quantity(0.05, "L/min"), "co2_rise_time": quantity(100.0, "ms")}
    bed.send("numerics", end_s, values=values)
    facts = at(bed, end_s)
    # 30 g at 50 mL/min: 18.34 of 40 mmHg are seen (simple mixing, a bound; right to 20 %).
    assert facts.values["etco2.corrected"] == pytest.approx(40.0, rel=0.05)
    assert facts.values["etco2.corrected_low"] == pytest.approx(32.0, rel=0.07)
    assert facts.values["etco2.corrected_high"] == pytest.approx(48.0, rel=0.07)
    assert facts.values["etco2"] == pytest.approx(18.34, abs=0.6)


@pytest.mark.parametrize(
    ("patient", "why"),
    [
        (None, "who lies here was never received"),
        ({"mass": None, "class": "mammal"}, "body mass unknown"),
        ({"class": "reptile"}, "no minute volume to expect of a reptile"),
        ({"class": "amphibian"}, "no minute volume to expect of a amphibian"),
    ],
)
def test_no_correction_without_a_minute_volume(patient: dict[str, Any] | None, why: str) -> None:
    facts = after(breathing(), patient)
    for name in (*NAMES, "etco2.diluted"):
        assert facts.unknown[name] == why


def test_lag_alone_is_enough_to_warn() -> None:
    bed = Bed()
    bed.send("patient", 0.0, **{"class": "reptile"})
    end_s = send_co2(bed, breathing(rr=110.0, rise_10_90_s=0.4, breaths=40))
    bed.send("numerics", end_s, values={"co2_rise_time": quantity(0.4, "s")})
    assert at(bed, end_s).values["etco2.diluted"] is True
    assert "etco2.corrected" in at(bed, end_s).unknown


def test_a_cat_needs_no_correction() -> None:
    facts = after(breathing(), {"mass": quantity(3.0, "kg"), "class": "mammal"})
    assert facts.values["etco2.diluted"] is False
    assert facts.values["etco2.corrected"] == pytest.approx(facts.values["etco2"], rel=0.01)


def test_what_the_last_breath_said_grows_old() -> None:
    bed = Bed()
    end_s = send_co2(bed, breathing())
    last_s = send_co2(bed, standing(0.2, 20), begin_s=end_s)
    facts = at(bed, last_s)
    for name in ("co2.expired_time", "co2.plateau", "co2.quality", "co2.baseline", *NAMES):
        assert facts.unknown[name].startswith("no breath in CO2 for"), name
    assert facts.values["co2.course"] == "sudden-loss"
    assert facts.values["co2.waveform"] == "no-co2"


# -- quality ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "lost", "why", "quality"),
    [
        ({}, 0.0, "", (1.0, 1.0)),
        ({"rr": 100.0, "rise_10_90_s": 0.4, "breaths": 40}, 0.0, "no plateau", (0.6, 0.7)),
        ({"etco2": 11.0, "noise": 1.0}, 0.0, "small against the noise", (0.5, 0.95)),
        ({}, 0.3, "samples lost", (0.2, 0.7)),
        ({"etco2": 130.0}, 0.0, "at the end of the analyser's range", (0.3, 0.3)),
    ],
    ids=["good", "no plateau", "noisy", "lossy", "saturated"],
)
def test_quality_has_its_reason(
    changes: dict[str, Any], lost: float, why: str, quality: tuple[float, float]
) -> None:
    chance = random.Random(3)
    samples = [
        (at / RATE_HZ, None if chance.random() < lost else min(99.0, value))
        for at, value in enumerate(breathing(**changes))
    ]
    breaths = Capnogram().feed(samples, "d:e:1")[2:]
    assert len(breaths) > 8
    low, high = quality
    assert low - 1e-9 <= median(breath.quality for breath in breaths) <= high + 1e-9
    assert sum(breath.why == why for breath in breaths) >= 0.8 * len(breaths)
