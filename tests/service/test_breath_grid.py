"""The breath finder over 2,100 simulated animals: recall, precision, times, pressures, volumes.

Half of them, unless the whole is asked for (sizes.py).

Species, mass 0.03 to 10 kg, rates 2 to 150 /min, peak pressure to 45 cmH2O, 25 to 500 samples a
second, noise, drift, offset and heartbeat: see `signal_grid`. The tables are printed (pytest -s).
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from grid_scores import CaseScore, in_processes, score_case
from sizes import share_of

CASES = share_of(2_100, 2)
TI_SAMPLES, PIP_CMH2O = 2.0, 0.3

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def scores() -> list[CaseScore]:
    return in_processes(score_case, range(CASES))


def _share(scores: list[CaseScore], good: Callable[[CaseScore], list[bool]]) -> float:
    each = [one for score in scores for one in good(score)]
    return sum(each) / len(each)


def _ti_good(score: CaseScore) -> list[bool]:
    return [abs(error) <= TI_SAMPLES for error in score.ti_samples]


def _pip_good(score: CaseScore) -> list[bool]:
    return [abs(error) <= PIP_CMH2O for error in score.pip_cmh2o]


def _in_interval(score: CaseScore) -> list[bool]:
    return [where == "within" for where in score.volumes]


def _table(title: str, scores: list[CaseScore], key: Callable[[CaseScore], str]) -> None:
    heads = f"{'cases':>7}{'breaths':>9}{'Ti 2 samples':>14}{'PIP 0.3':>9}{'VT in 90 %':>12}"
    print(f"\n{title:22}{heads}")
    for name in sorted({key(score) for score in scores}):
        part = [score for score in scores if key(score) == name]
        print(
            f"{name:22}{len(part):7}{sum(s.true for s in part):9}{_share(part, _ti_good):14.3f}"
            f"{_share(part, _pip_good):9.3f}{_share(part, _in_interval):12.3f}"
        )


def test_every_breath_and_nothing_else(scores: list[CaseScore]) -> None:
    true = sum(score.true for score in scores)
    missed = sum(score.missed for score in scores)
    false = sum(score.false for score in scores)
    print(f"\n{len(scores)} cases, {true} breaths: {missed} missed, {false} false")
    assert true > 7 * CASES
    assert 1.0 - missed / true >= 0.995
    assert 1.0 - false / (true - missed + false) >= 0.995


def test_inspiratory_time_to_two_samples(scores: list[CaseScore]) -> None:
    _table("samples a second", scores, lambda score: f"{score.case.rate_hz:4}")
    _table("heartbeat, cmH2O", scores, lambda score: f"{score.case.heartbeat_cmh2o:.2f}")
    _table("noise, cmH2O", scores, lambda score: f"{score.case.noise_cmh2o:.2f}")
    assert _share(scores, _ti_good) >= 0.95


def test_peak_pressure(scores: list[CaseScore]) -> None:
    # Between two samples pressure rises on; how far is not known to better than half of that.
    told = [score for score in scores if score.rise_cmh2o <= 2.0 * PIP_CMH2O]
    steep = [score for score in scores if score.rise_cmh2o > 2.0 * PIP_CMH2O]
    assert len(told) > 0.9 * len(scores)
    assert _share(told, _pip_good) >= 0.99
    assert _share(scores, _pip_good) >= 0.95
    assert _share(
        steep,
        lambda s: [abs(error) <= PIP_CMH2O + s.rise_cmh2o / 2.0 for error in s.pip_cmh2o],
    ) >= 0.95  # fmt: skip


def test_tidal_volume_within_its_interval(scores: list[CaseScore]) -> None:
    _table("class", scores, lambda score: score.case.class_)
    _table("mass, kg", scores, lambda score: _mass(score.case.mass_kg))
    whole = _share(scores, _in_interval)
    under = _share(scores, lambda score: [where == "under" for where in score.volumes])
    print(f"\nin the interval {whole:.3f}, under it {under:.3f}, over it {1 - whole - under:.3f}")
    assert 0.88 <= whole <= 0.95
    assert 0.02 <= under <= 0.08
    for mass in ("to 0.1", "to 1", "to 10"):
        part = [score for score in scores if _mass(score.case.mass_kg) == mass]
        assert 0.86 <= _share(part, _in_interval) <= 0.97


def _mass(mass_kg: float) -> str:
    return next(f"to {most:g}" for most in (0.1, 1.0, 10.0) if mass_kg <= most)
