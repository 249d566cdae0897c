"""Bright sky: the background is up. The Moon, twilight, lamps."""

from collections.abc import Iterator

from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.grading.baseline import sky_rate, sky_rate_at_zenith
from runlog.core.grading.compared import ComparedFrame, ratio
from runlog.core.grading.fault_kind import Check, FaultKind, Rule
from runlog.core.grading.policy import Limit, Setting
from runlog.core.sky.horizon import sun_words

# What makes a sky brighter in a way that costs depth (common practice, no source).
NOISE_SHARE = 0.3  # of a pixel's noise: a rise by less adds next to nothing to it
RISE_SHARE = 0.25  # of the rise in light that a rise in noise needs, by the gain
RISE_LEAST = 0.01  # of the background, where the gain is not known
LEAST_EGAIN = 0.1  # electrons per ADU, where it is not known
RATIO = Setting(
    "bright_sky_ratio",
    Limit(1.8, 4.0),
    "Twice the sky costs half of the effective time; four times is hardly worth stacking.",
)
HISTORY = Setting(
    "bright_sky_history",
    Limit(2.8, 11.0),
    "The same against the best frame of this target ever: the Moon over the whole night. It "
    "costs as much effective time as the haze of cloud_history; narrow bands may be given more.",
)
NOISE_RATIO = Setting(
    "bright_noise_ratio",
    Limit(1.34, 2.0),
    "Noise grows as the square root of the sky: used where the camera's zero is not known.",
)
BRIGHTEST: Setting[Limit | None] = Setting(
    "brightest_sky_adu_s",
    None,
    "Brightest sky you will keep, in ADU a second; used only where set.",
)


def _bright_sky(this: ComparedFrame) -> Iterator[Check]:
    rate = sky_rate(this.frame)
    if rate is not None:
        text = f"sky {rate:.2f} ADU a second, your limit is {{limit:.2f}}"
        yield from BRIGHT_SKY.against_own(this, BRIGHTEST, rate, "sky in ADU a second", text)
        yield from _bright_for_run(this)
        yield from _bright_night(this)
    elif this.frame.resampled:
        yield from _bright_background(this)
    else:
        yield from _bright_noise(this)


def _bright_for_run(this: ComparedFrame) -> Iterator[Check]:
    darkest = this.light.sky_adu_s
    times = ratio(sky_rate_at_zenith(this.frame), darkest)
    if times is None:
        return
    text = f"sky {times:.1f} times this run's darkest frames{_lit_by(this.frame)}"
    grade = _if_it_matters(this, darkest, RATIO.grade(times, this.policy[RATIO]))
    what = "sky against this run's darkest"
    yield BRIGHT_SKY.against(this, RATIO, times, what, text, grade)


def _bright_night(this: ComparedFrame) -> Iterator[Check]:
    """Compare with the best frame ever: a night lit throughout must not pass its own darkest."""
    best = this.frame.placement.best_sky_adu_s
    times = ratio(sky_rate_at_zenith(this.frame), best)
    if times is None:
        return
    text = f"sky {times:.1f} times that of the best frame of this target{_lit_by(this.frame)}"
    grade = _if_it_matters(this, best, HISTORY.grade(times, this.policy[HISTORY]))
    yield BRIGHT_SKY.against(this, HISTORY, times, "sky against the best frame", text, grade)


def _if_it_matters(this: ComparedFrame, usual_adu_s: float | None, grade: Grade) -> Grade:
    """Let a rise pass that is lost in the noise: near zero light every ratio is large."""
    rate, noise = sky_rate_at_zenith(this.frame), this.frame.measurement.noise_adu
    if rate is None or usual_adu_s is None or noise is None or not this.frame.header.exposure_s:
        return grade
    rise_adu = (rate - usual_adu_s) * this.frame.header.exposure_s
    return Grade.KEEP if rise_adu < NOISE_SHARE * noise else grade


def _bright_background(this: ComparedFrame) -> Iterator[Check]:
    """Compare levels where pixels were resampled: how much noise that takes away hangs on luck.

    With the zero level unknown the level rises by a smaller share than the sky does, so what is
    found is sure; where most of the sky was subtracted nothing can be found.
    """
    frame, usual = this.frame, this.count.background_adu
    times = ratio(frame.measurement.background_adu, usual)
    if times is None or usual is None or _sky_subtracted(frame, usual):
        return
    text = (
        f"background {times:.1f} times this run's darkest frames, the sky at least so much (the "
        f"camera's zero level is not known){_lit_by(frame)}"
    )
    yield BRIGHT_SKY.against(this, RATIO, times, "background against this run's darkest", text)


def _sky_subtracted(frame: Frame, usual_adu: float) -> bool:
    """Tell whether there is less light than the noise must have come from."""
    egain = frame.header.egain_e_adu or LEAST_EGAIN
    noise_from_adu = egain * (frame.measurement.noise_adu or 0.0) ** 2
    return usual_adu <= 0 or usual_adu < noise_from_adu / 2


def _bright_noise(this: ComparedFrame) -> Iterator[Check]:
    times = ratio(this.frame.measurement.noise_adu, this.count.noise_adu)
    if times is None:
        return
    grade = NOISE_RATIO.grade(times, this.policy[NOISE_RATIO])
    text = (
        f"sky noise {times:.1f} times this run's quietest frames (the camera's zero level is not "
        f"known){_lit_by(this.frame)}"
    )
    if grade is not Grade.KEEP and not _level_rose(this):
        grade = Grade.KEEP
        text = (
            f"noise {times:.1f} times this run's quietest frames, but the background is no "
            "brighter for it: the sky is not the cause"
        )
    what = "noise against this run's quietest"
    yield BRIGHT_SKY.against(this, NOISE_RATIO, times, what, text, grade)


def _level_rose(this: ComparedFrame) -> bool:
    """Tell whether the background rose as light must that brings so much noise.

    Light of S ADU brings a variance of S over the gain in electrons per ADU (photon statistics);
    noise that rises alone is the camera's, or the quiet frames were resampled.
    """
    got, usual, egain = this.frame.measurement, this.count, this.frame.header.egain_e_adu
    if got.background_adu is None or usual.background_adu is None:
        return True
    if got.noise_adu is None or usual.noise_adu is None:
        return True
    rise_adu = got.background_adu - usual.background_adu
    if egain:
        return rise_adu >= RISE_SHARE * egain * (got.noise_adu**2 - usual.noise_adu**2)
    return rise_adu >= max(RISE_LEAST * abs(usual.background_adu), NOISE_SHARE * usual.noise_adu)


def _lit_by(frame: Frame) -> str:
    """Say what stood in the sky that explains light."""
    if frame.context.sun_alt_deg is not None and frame.context.sun_alt_deg > -18:
        return f"; {sun_words(frame.context.sun_alt_deg)}"
    if frame.context.moon_alt_deg is not None and frame.context.moon_alt_deg > 0:
        return f"; the Moon is {frame.context.moon_alt_deg:.0f} degrees up"
    return ""


BRIGHT_SKY = FaultKind(
    FaultName.BRIGHT_SKY,
    rules=(Rule(_bright_sky),),
    settings=(RATIO, HISTORY, NOISE_RATIO, BRIGHTEST),
)
