"""What kind of inflation it was, why it is held to be that, and how well it could be read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from service.signals.release import is_slow
from service.signals.shape import Shape, pinned

Kind = Literal["ventilator", "spontaneous", "assisted", "hand", "artefact"]

#: What is usual follows each inflation with this weight.
LEARN_SHARE: Final = 0.3
KNOWN_AFTER: Final = 3
#: A time between breaths counts as at most so many times the usual one.
MOST_OF_USUAL: Final = 2.0
#: Nothing so short is an inflation.
MIN_TI_S: Final = 0.03
#: Shorter than this share of a usual inflation, and no ramp: a cough or a knock.
SPIKE_SHARE: Final = 0.4
SPIKE_S: Final = 0.15
#: A spike to the usual height, when due, is an inflation into something closed.
USUAL_HEIGHT_SHARE: Final = 0.25
#: Sooner than this share of the usual time, and this share of the usual height over the usual
#: baseline, begins no inflation.
EARLY_SHARE: Final = 0.6
ABOVE_SHARE: Final = 0.4
#: A breath that is due comes the usual time after the last one began, or ended, within this share.
DUE_SHARE: Final = 0.1
#: After so many artefacts in a row, over so many usual periods, the next one is an inflation: what
#: is usual has changed.
MOST_ARTEFACTS: Final = 3
WITHOUT_PERIODS: Final = 2.0
#: A peak so near the target has reached it.
NEAR_CMH2O: Final = 0.3
#: A ramp with fewer samples, or that scatters by this share of its height, is read less well.
FEW_SAMPLES: Final = 6
ROUGH_SHARE: Final = 0.05


@dataclass(slots=True)
class Effort:
    """The animal pulled pressure under its resting level; times in s, depth in cmH2O."""

    start_s: float
    end_s: float
    depth_cmh2o: float


@dataclass(slots=True)
class Inflation:
    """One inflation, reported at its release. Pressures in cmH2O, times in s (device time).

    Fields that end in `_sd` are standard errors of reading, without those of the sensor.
    """

    start_s: float
    ti_s: float
    pip_cmh2o: float
    baseline_cmh2o: float
    #: Height of the ramp at the start over the baseline: the resistive step (about R Q).
    step_cmh2o: float | None
    slope_cmh2o_per_s: float | None
    #: Time from the start of the breath before; None after a gap or for the first.
    period_s: float | None
    reference: str
    #: Slope of the ramp at its end over that at its start: under 1 where gas leaks.
    bend: float | None = None
    bend_sd: float | None = None
    #: Time constant in which the step builds up (R C Cc / (C + Cc)).
    foot_s: float | None = None
    #: Pressure over the baseline at `profile.PROFILE_AT` of the inspiratory time.
    profile_cmh2o: tuple[float, ...] | None = None
    ti_sd_s: float = 0.0
    pip_sd_cmh2o: float = 0.0
    step_sd_cmh2o: float | None = None
    slope_sd_cmh2o_per_s: float | None = None
    #: Pressure over the baseline, integrated over the inspiratory time.
    area_cmh2o_s: float = 0.0
    #: From the start to the highest sample.
    to_peak_s: float = 0.0
    #: Depth of an effort that started the inflation or pulled against it.
    effort_cmh2o: float | None = None
    kind: Kind = "ventilator"
    why: str = ""
    #: From 0 to 1, and what takes from it.
    quality: float = 1.0
    doubt: str = ""

    @property
    def driving_cmh2o(self) -> float:
        """Peak over baseline."""
        return self.pip_cmh2o - self.baseline_cmh2o

    def time_to_s(self, target_cmh2o: float) -> float | None:
        """From the start until the ramp passed the target; None when it did not."""
        if self.slope_cmh2o_per_s is None or self.step_cmh2o is None:
            return None
        if self.slope_cmh2o_per_s <= 0.0 or target_cmh2o > self.pip_cmh2o + NEAR_CMH2O:
            return None
        rise = target_cmh2o - self.baseline_cmh2o - self.step_cmh2o
        return min(self.ti_s, max(0.0, rise / self.slope_cmh2o_per_s))


@dataclass(slots=True)
class Usual:
    """What inflations here are like, following them slowly."""

    seen: int = 0
    height_cmh2o: float = 5.0
    baseline_cmh2o: float | None = None
    ti_s: float | None = None
    period_s: float | None = None
    te_s: float | None = None
    #: How many artefacts came since the last inflation.
    passed_over: int = 0

    def learn(self, inflation: Inflation, te_s: float | None) -> None:
        """Take one inflation into account, and the expiratory time before it."""
        has_changed, self.passed_over = self.passed_over >= MOST_ARTEFACTS, 0
        if has_changed:
            # Of the old and the new no mean is made, and the time to the last one tells nothing.
            self.height_cmh2o = inflation.driving_cmh2o
            self.ti_s = self.baseline_cmh2o = self.period_s = self.te_s = None
        self.seen += 1
        self.height_cmh2o += LEARN_SHARE * (inflation.driving_cmh2o - self.height_cmh2o)
        self.baseline_cmh2o = _towards(self.baseline_cmh2o, inflation.baseline_cmh2o)
        self.ti_s = _towards(self.ti_s, inflation.ti_s)
        if inflation.period_s is not None and not has_changed:
            self.period_s = _towards(self.period_s, _no_pause(self.period_s, inflation.period_s))
        if te_s is not None and not has_changed:
            self.te_s = _towards(self.te_s, _no_pause(self.te_s, te_s))


def _no_pause(usual_s: float | None, time_s: float) -> float:
    """A time between breaths, but no more of it than a change of settings would show.

    After a disconnection it tells how long that was, and nothing of what is usual.
    """
    return time_s if usual_s is None else min(time_s, MOST_OF_USUAL * usual_s)


def _towards(usual: float | None, value: float) -> float:
    return value if usual is None else usual + LEARN_SHARE * (value - usual)


@dataclass(slots=True)
class Course:
    """How an inflation came about; times in s.

    `te_s` is the expiratory time before it; `up_s` how long it was up without a break, if an
    effort or a second cough broke it.
    """

    te_s: float | None
    up_s: float | None
    effort_within: bool


def kind_of(inflation: Inflation, shape: Shape, usual: Usual, course: Course) -> tuple[Kind, str]:
    """The kind of an inflation, and in a few words why."""
    ti_s, effort, effort_within = inflation.ti_s, inflation.effort_cmh2o, course.effort_within
    due = _is_due(inflation.period_s, usual.period_s) or _is_due(course.te_s, usual.te_s)
    keeps_coming = _keeps_coming(inflation, usual)
    if not due and not keeps_coming and _from_above(inflation, usual):
        return "artefact", "pressure had not come down before it"
    up_s = ti_s if course.up_s is None else min(ti_s, course.up_s)
    is_usual = keeps_coming or (due and _is_usual_height(inflation, usual))
    if ti_s < MIN_TI_S and not is_usual:
        return "artefact", f"a knock of {max(0.0, ti_s):.3f} s"
    if _is_spike(up_s, usual) and not is_usual:
        return "artefact", f"a spike of {ti_s:.2f} s, not when due"
    if not shape.is_ramp and is_slow(shape.fall_s, ti_s) and not effort_within:
        return "hand", f"rounded, let go over {shape.fall_s:.2f} s"
    if effort is not None:
        when = "against the inflation" if effort_within else "just before it"
        return "assisted", f"an effort of {effort:.1f} cmH2O {when}"
    form = "an even ramp" if shape.is_ramp else "when due" if due else "not an even ramp"
    return "ventilator", f"{form}, released at once"


def _is_spike(ti_s: float, usual: Usual) -> bool:
    if usual.seen < KNOWN_AFTER or usual.ti_s is None:
        return ti_s < SPIKE_S / 2.0
    return ti_s < min(SPIKE_S, SPIKE_SHARE * usual.ti_s)


def _from_above(inflation: Inflation, usual: Usual) -> bool:
    """Whether it begins half-way up: a bump on an inflation that has not been released."""
    if usual.baseline_cmh2o is None or inflation.period_s is None or usual.period_s is None:
        return False
    early = inflation.period_s < EARLY_SHARE * usual.period_s
    above = inflation.baseline_cmh2o - usual.baseline_cmh2o
    return early and above > ABOVE_SHARE * usual.height_cmh2o


def _is_usual_height(inflation: Inflation, usual: Usual) -> bool:
    off = abs(inflation.driving_cmh2o - usual.height_cmh2o)
    return off <= USUAL_HEIGHT_SHARE * usual.height_cmh2o


def _is_due(time_s: float | None, usual_s: float | None) -> bool:
    if time_s is None or usual_s is None:
        return False
    return abs(time_s - usual_s) <= DUE_SHARE * usual_s


def _keeps_coming(inflation: Inflation, usual: Usual) -> bool:
    """Whether nothing but such things came for so long that they must be the inflations."""
    if usual.passed_over < MOST_ARTEFACTS:
        return False
    if inflation.period_s is None or usual.period_s is None:
        return True
    return inflation.period_s > WITHOUT_PERIODS * usual.period_s


def quality_of(
    shape: Shape, samples: Sequence[tuple[float, float]], lost: int
) -> tuple[float, str]:
    """How well the inflation could be read, from 0 to 1, and what stands against it."""
    doubts: list[tuple[float, str]] = []
    if pinned(samples):
        doubts.append((0.3, "the pressure sensor stood at its limit"))
    if shape.samples < FEW_SAMPLES:
        doubts.append((0.2 + 0.1 * shape.samples, f"only {shape.samples} samples"))
    height = max(0.1, shape.peak_cmh2o - shape.baseline_cmh2o)
    rough = shape.residual_cmh2o / height
    if rough > ROUGH_SHARE:
        doubts.append((max(0.2, ROUGH_SHARE / rough), "no even ramp"))
    if lost:
        share = lost / (lost + shape.samples)
        doubts.append((max(0.1, 1.0 - 3.0 * share), f"{lost} samples lost"))
    if not doubts:
        return 1.0, ""
    return min(doubts)
