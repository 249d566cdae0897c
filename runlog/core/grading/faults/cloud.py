"""Cloud: light lost against the run's clear frames, and against the best frame ever."""

from collections.abc import Iterator

from runlog.core.columns import plural
from runlog.core.frame import FaultName, Grade
from runlog.core.grading.against_nights import against_light
from runlog.core.grading.baseline import flux_at_zenith
from runlog.core.grading.compared import ComparedFrame, ratio
from runlog.core.grading.fault_kind import Check, FaultKind, Rule
from runlog.core.grading.faults.few_stars import LEAST
from runlog.core.grading.policy import Limit, Sense, Setting

TRANSPARENCY = Setting(
    "cloud_transparency",
    Limit(0.8, 0.5),
    "Share of the light that still comes through, against the run's clear frames.",
    Sense.BELOW,
)
HISTORY = Setting(
    "cloud_history",
    Limit(0.6, 0.3),
    "The same against clear frames of this field on the rig's other nights: haze over the whole "
    "night; and against the best frame of the field where this run took it.",
    Sense.BELOW,
)
# Half of the light leaves two thirds of the stars, or about (star counts rise by a factor of two to
# three with each magnitude); common practice, no source.
LESS_LIGHT = 0.65
ALL_STARS = 0.95
SAME_NOISE = 0.15
STARS = Setting(
    "cloud_stars",
    Limit(0.6, 0.35),
    "Stars left, where their light cannot be followed.",
    Sense.BELOW,
)


def _cloud(this: ComparedFrame) -> Iterator[Check]:
    share, source = transparency(this)
    if share is None:
        yield from _by_counts(this)
        return
    text = f"stars give {share:.0%} of the light they give in {source}{_stars_left(this)}"
    text += _no_proof(this, share)
    grade = Grade.KEEP if _is_scaled(this, share) else None
    yield CLOUD.against(this, TRANSPARENCY, share, f"light against {source}", text, grade)


def transparency(this: ComparedFrame) -> tuple[float | None, str]:
    """Give the share of light against the run's clear frames, by matched stars where possible."""
    source = this.clear_frames
    matched = ratio(this.frame.placement.transparency, this.light.transparency)
    if matched is not None:
        return matched, source
    if this.frame.placement.matched is False:
        return None, source  # the stars are others, or too few: their rank says nothing
    return ratio(flux_at_zenith(this.frame), this.light.flux_adu_s), source


def _hazy_night(this: ComparedFrame) -> Iterator[Check]:
    yield from against_light(this, CLOUD, HISTORY)
    place = this.frame.placement
    if place.transparency is None or not this.own_best:
        return
    text = f"stars give {place.transparency:.0%} of the light of the best frame of this "
    text += "field" if place.matched_to != place.best_of_name else "target"
    share, _ = transparency(this)
    grade = Grade.KEEP if share is not None and _is_scaled(this, share) else None
    what = "light against the best frame"
    yield CLOUD.against(this, HISTORY, place.transparency, what, text, grade)


def _no_proof(this: ComparedFrame, share: float) -> str:
    """Say where as many stars as usual speak against cloud, which hides the faint ones."""
    if share > LESS_LIGHT or not _all_stars(this):
        return ""
    if _is_scaled(this, share):
        return ", and the noise is down as the light is: its scale is another, no cloud"
    return ", as many as cloud would not leave: cloud, or another gain or filter, unknown which"


def _is_scaled(this: ComparedFrame, share: float) -> bool:
    """Tell whether noise is down as light is and no star is lost: it shows as much as others."""
    noise = ratio(this.frame.measurement.noise_adu, this.count.noise_adu)
    alike = noise is not None and noise <= share * (1 + SAME_NOISE)
    return share <= LESS_LIGHT and alike and _all_stars(this)


def _all_stars(this: ComparedFrame) -> bool:
    left = ratio(this.frame.measurement.stars, this.count.stars)
    return left is not None and left >= ALL_STARS


def _stars_left(this: ComparedFrame) -> str:
    stars = this.frame.measurement.stars
    if stars is None or not this.count.stars:
        return ""
    return f"; {plural(stars, 'star')}, this run's usual {this.count.stars:.0f}"


def _by_counts(this: ComparedFrame) -> Iterator[Check]:
    """Judge by star counts where no star's light can be followed."""
    left = ratio(this.frame.measurement.stars, this.count.stars)
    if left is None or (this.frame.measurement.stars or 0) < this.policy[LEAST]:
        return
    text = f"cloud or bright sky{_stars_left(this)}"
    yield CLOUD.against(this, STARS, left, "stars left", text)


CLOUD = FaultKind(
    FaultName.CLOUD,
    rules=(Rule(_cloud), Rule(_hazy_night)),
    settings=(TRANSPARENCY, HISTORY, STARS),
)
