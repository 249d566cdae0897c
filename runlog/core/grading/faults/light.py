"""What the light says: cloud, an obstruction, a bright sky, too few stars."""

from collections.abc import Iterator, Sequence
from math import comb

from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.grading.baseline import (
    ENOUGH,
    flux_at_zenith,
    sky_rate,
    sky_rate_at_zenith,
    turned,
    zones,
)
from runlog.core.grading.checks import Case, Check, above, below, ratio
from runlog.core.sky.horizon import sun_words

# The four sides of the frame as ninths, and the ninths opposite them.
SIDES = {
    "the third with the first rows": ((0, 1, 2), (6, 7, 8)),
    "the third with the last rows": ((6, 7, 8), (0, 1, 2)),
    "the left third": ((0, 3, 6), (2, 5, 8)),
    "the right third": ((2, 5, 8), (0, 3, 6)),
}
FIRST, LAST, LEFT, RIGHT = SIDES
ACROSS = {FIRST: LAST, LAST: FIRST, LEFT: RIGHT, RIGHT: LEFT}
STARS_TO_JUDGE_SIDES = 40  # with fewer a side must be emptier than chance leaves it
# What makes a sky brighter in a way that costs depth (common practice, no source).
NOISE_SHARE = 0.3  # of a pixel's noise: a rise by less adds next to nothing to it
RISE_SHARE = 0.25  # of the rise in light that a rise in noise needs, by the gain
RISE_LEAST = 0.01  # of the background, where the gain is not known
LEAST_EGAIN = 0.1  # electrons per ADU, where it is not known
LEAST_SKY_PX = 200_000  # a cut-out smaller than this may hold no star under any sky
NO_STARS_FROM = "cap, cover, dome, focus or sky"
CHANCE = 1e-4  # of four sides in some hundred frames a night next to none is taken for covered


def cloud(case: Case) -> Iterator[Check]:
    """Light lost: against the run's clear frames, and against the best frame ever."""
    share, source = transparency(case)
    if share is None:
        yield from _cloud_by_counts(case)
        yield from _hazy_night(case)
        return
    limit = case.policy.cloud_transparency
    text = f"stars give {share:.0%} of the light they give in {source}{_stars_left(case)}"
    yield Check(
        FaultName.CLOUD, f"light against {source}", share, limit, below(share, limit), text,
        "cloud_transparency",
    )  # fmt: skip
    yield from _hazy_night(case)


def transparency(case: Case) -> tuple[float | None, str]:
    """Give the share of light against the run's clear frames, by matched stars where possible."""
    source = "this run's clear frames"
    matched = ratio(case.frame.placement.transparency, case.light.transparency)
    if matched is not None:
        return matched, source
    if (
        case.frame.placement.matched is False
    ):  # the stars are others, or too few: their rank says nothing
        return None, source
    return ratio(flux_at_zenith(case.frame), case.light.flux_adu_s), source


def _hazy_night(case: Case) -> Iterator[Check]:
    share = case.frame.placement.transparency
    if share is None:
        return
    limit = case.policy.cloud_history
    other = case.frame.placement.matched_to != case.frame.placement.best_of_name
    text = f"stars give {share:.0%} of the light of the best frame of this "
    text += "field" if other else "target"
    yield Check(
        FaultName.CLOUD, "light against the best frame", share, limit, below(share, limit), text,
        "cloud_history",
    )  # fmt: skip


def _stars_left(case: Case) -> str:
    if case.frame.measurement.stars is None or not case.count.stars:
        return ""
    return f"; {case.frame.measurement.stars} stars, this run's usual {case.count.stars:.0f}"


def _cloud_by_counts(case: Case) -> Iterator[Check]:
    """Judge by star counts where no star's light can be followed."""
    left = ratio(case.frame.measurement.stars, case.count.stars)
    if left is None or (case.frame.measurement.stars or 0) < case.policy.few_stars_least:
        return
    limit = case.policy.cloud_stars
    text = f"cloud or bright sky{_stars_left(case)}"
    yield Check(FaultName.CLOUD, "stars left", left, limit, below(left, limit), text, "cloud_stars")


def obstructed(case: Case) -> Iterator[Check]:
    """Stars lost on one side only: a tree, a roof, the dome."""
    counts, usual = zones(case.frame), case.count.zone_shares
    if len(counts) != 9 or not usual:
        return
    worst, side = min((_side_left(counts, usual, *SIDES[name]), name) for name in SIDES)
    if sum(counts) < STARS_TO_JUDGE_SIDES and _chance(counts, usual, *SIDES[side]) > CHANCE:
        return
    limit = case.policy.obstructed_share
    named = ACROSS[side] if turned(case.frame) else side
    text = f"{named} has {worst:.0%} of this run's usual share of stars, against the third opposite"
    yield Check(
        FaultName.OBSTRUCTED, "stars left on the worst side", worst, limit, below(worst, limit),
        text, "obstructed_share",
    )  # fmt: skip


def _side_left(
    counts: Sequence[int], usual: Sequence[float], side: Sequence[int], opposite: Sequence[int]
) -> float:
    """Compare a side's stars with its opposite's, each against its usual share."""
    here = sum(counts[i] for i in side) / max(sum(usual[i] for i in side), 1e-6)
    there = sum(counts[i] for i in opposite) / max(sum(usual[i] for i in opposite), 1e-6)
    return here / there if there > 0 else 1.0


def _chance(
    counts: Sequence[int], usual: Sequence[float], side: Sequence[int], opposite: Sequence[int]
) -> float:
    """Reckon how often chance leaves a side so few of its and its opposite's stars (binomial)."""
    here, there = sum(counts[i] for i in side), sum(counts[i] for i in opposite)
    own, other = sum(usual[i] for i in side), sum(usual[i] for i in opposite)
    p, n = own / max(own + other, 1e-6), here + there
    return sum(comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(here + 1))


def bright_sky(case: Case) -> Iterator[Check]:
    """Background up: the Moon, twilight, lamps."""
    frame, policy = case.frame, case.policy
    rate = sky_rate(frame)
    if rate is None:
        yield from _bright_background(case) if frame.resampled else _bright_noise(case)
        return
    if policy.brightest_sky_adu_s is not None:
        limit = policy.brightest_sky_adu_s
        text = f"sky {rate:.2f} ADU a second, your limit is {limit.doubtful:.2f}"
        yield Check(
            FaultName.BRIGHT_SKY, "sky in ADU a second", rate, limit, above(rate, limit), text,
            "brightest_sky_adu_s",
        )  # fmt: skip
    times = ratio(sky_rate_at_zenith(frame), case.light.sky_adu_s)
    if times is not None:
        limit = policy.bright_sky_ratio
        text = f"sky {times:.1f} times this run's darkest frames{lit_by(frame)}"
        grade = _if_it_matters(case, case.light.sky_adu_s, above(times, limit))
        yield Check(
            FaultName.BRIGHT_SKY, "sky against this run's darkest", times, limit, grade, text,
            "bright_sky_ratio",
        )  # fmt: skip
    yield from _bright_night(case)


def _bright_night(case: Case) -> Iterator[Check]:
    """Compare with the best frame ever: a night lit throughout must not pass its own darkest."""
    times = ratio(sky_rate_at_zenith(case.frame), case.frame.placement.best_sky_adu_s)
    if times is None:
        return
    limit = case.policy.bright_sky_history
    text = f"sky {times:.1f} times that of the best frame of this target{lit_by(case.frame)}"
    grade = _if_it_matters(case, case.frame.placement.best_sky_adu_s, above(times, limit))
    yield Check(
        FaultName.BRIGHT_SKY, "sky against the best frame", times, limit, grade, text,
        "bright_sky_history",
    )  # fmt: skip


def _if_it_matters(case: Case, usual_adu_s: float | None, grade: Grade) -> Grade:
    """Let a rise pass that is lost in the noise: near zero light every ratio is large."""
    rate, noise = sky_rate_at_zenith(case.frame), case.frame.measurement.noise_adu
    if rate is None or usual_adu_s is None or noise is None or not case.frame.header.exposure_s:
        return grade
    rise_adu = (rate - usual_adu_s) * case.frame.header.exposure_s
    return Grade.KEEP if rise_adu < NOISE_SHARE * noise else grade


def _bright_background(case: Case) -> Iterator[Check]:
    """Compare levels where pixels were resampled: how much noise that takes away hangs on luck.

    With the zero level unknown the level rises by a smaller share than the sky does, so what is
    found is sure; where most of the sky was subtracted nothing can be found.
    """
    frame, usual = case.frame, case.count.background_adu
    times = ratio(frame.measurement.background_adu, usual)
    if times is None or usual is None or _sky_subtracted(frame, usual):
        return
    limit = case.policy.bright_sky_ratio
    text = (
        f"background {times:.1f} times this run's darkest frames, the sky at least so much (the "
        f"camera's zero level is not known){lit_by(frame)}"
    )
    yield Check(
        FaultName.BRIGHT_SKY, "background against this run's darkest", times, limit,
        above(times, limit), text, "bright_sky_ratio",
    )  # fmt: skip


def _sky_subtracted(frame: Frame, usual_adu: float) -> bool:
    """Tell whether there is less light than the noise must have come from."""
    noise_from_adu = (frame.header.egain_e_adu or LEAST_EGAIN) * (
        frame.measurement.noise_adu or 0.0
    ) ** 2
    return usual_adu <= 0 or usual_adu < noise_from_adu / 2


def _bright_noise(case: Case) -> Iterator[Check]:
    times = ratio(case.frame.measurement.noise_adu, case.count.noise_adu)
    if times is None:
        return
    limit = case.policy.bright_noise_ratio
    if above(times, limit) is not Grade.KEEP and not _level_rose(case):
        text = (
            f"noise {times:.1f} times this run's quietest frames, but the background is no "
            "brighter for it: the sky is not the cause"
        )
        yield Check(
            FaultName.BRIGHT_SKY, "noise against this run's quietest", times, limit, Grade.KEEP,
            text, "bright_noise_ratio",
        )  # fmt: skip
        return
    text = (
        f"sky noise {times:.1f} times this run's quietest frames (the camera's zero level is not "
        f"known){lit_by(case.frame)}"
    )
    yield Check(
        FaultName.BRIGHT_SKY, "noise against this run's quietest", times, limit,
        above(times, limit), text, "bright_noise_ratio",
    )  # fmt: skip


def _level_rose(case: Case) -> bool:
    """Tell whether the background rose as light must that brings so much noise.

    Light of S ADU brings a variance of S over the gain in electrons per ADU (photon statistics);
    noise that rises alone is the camera's, or the quiet frames were resampled.
    """
    frame, usual = case.frame, case.count
    if None in (
        frame.measurement.background_adu,
        frame.measurement.noise_adu,
        usual.background_adu,
        usual.noise_adu,
    ):
        return True
    background, noise = usual.background_adu or 0.0, usual.noise_adu or 0.0
    rise_adu = (frame.measurement.background_adu or 0.0) - background
    if frame.header.egain_e_adu:
        needed = frame.header.egain_e_adu * ((frame.measurement.noise_adu or 0.0) ** 2 - noise**2)
        return rise_adu >= RISE_SHARE * needed
    return rise_adu >= max(RISE_LEAST * abs(background), NOISE_SHARE * noise)


def lit_by(frame: Frame) -> str:
    """Say what stood in the sky that explains light."""
    if frame.context.sun_alt_deg is not None and frame.context.sun_alt_deg > -18:
        return f"; {sun_words(frame.context.sun_alt_deg)}"
    if frame.context.moon_alt_deg is not None and frame.context.moon_alt_deg > 0:
        return f"; the Moon is {frame.context.moon_alt_deg:.0f} degrees up"
    return ""


def few_stars(case: Case) -> Iterator[Check]:
    """Far fewer stars than this field gives; the last thing asked, when nothing else was found."""
    stars = case.frame.measurement.stars or 0
    left = ratio(stars, case.count.stars)
    limit = case.policy.few_stars_share
    if left is not None and case.count.stars is not None:
        text = f"{stars} stars, this run's usual {case.count.stars:.0f}"
        yield Check(
            FaultName.FEW_STARS, "stars left", left, limit, below(left, limit), text,
            "few_stars_share",
        )  # fmt: skip
    yield from no_stars(case)


def is_wide(frame: Frame) -> bool:
    """Tell whether a frame shows sky enough to hold stars under any sky."""
    return frame.identity.width * frame.identity.height >= LEAST_SKY_PX


def no_stars(case: Case) -> Iterator[Check]:
    """Next to no stars at all, whatever the run looks like; a frame alone has nothing usual."""
    stars = case.frame.measurement.stars or 0
    least = case.policy.few_stars_least
    company = case.run_frames >= ENOUGH or case.earlier is not None
    telling = (is_wide(case.frame) and company) or case.shape.frames >= ENOUGH
    grade = Grade.REJECT if stars < least and telling else Grade.KEEP
    only = "only " if grade is Grade.REJECT else ""
    words = f"{only}{stars} star{'s' * (stars > 1)}" if stars else "no stars"
    yield Check(
        FaultName.FEW_STARS, "stars", float(stars), None, grade, f"{words} found",
        "few_stars_least",
    )  # fmt: skip
    limit = case.policy.fewest_stars
    if limit is not None:
        text = f"{stars} stars, your limit is {limit.doubtful:.0f}"
        yield Check(
            FaultName.FEW_STARS, "stars", float(stars), limit, below(stars, limit), text,
            "fewest_stars",
        )  # fmt: skip
