"""Nights that begin badly: their first frames put in cloud, out of focus or trailed.

How the numbers of a frame follow: light and flux fall as the cloud takes them, stars by the
steepness of star counts (a factor of two to three a magnitude; common practice, no source); discs
have a half-flux radius over FWHM of 0.40 (drawn with GalSim, see tests/core/grading); a line adds
length^2 / 12 to second moments.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from runlog.core.frame import Frame
from tests.core.runs import altered, trail

from .labels import FrameLabel, status

CLOUD = (0.20, 0.15, 0.20, 0.30, 0.25, 0.35, 0.50, 0.77)
OUT_OF_FOCUS, DISC_PROFILE = 2.5, 0.40
SLIGHTLY_OUT = 1.6  # with the profile of a disc half as wide as the star
TRAIL_FWHM = 1.8

Pair = tuple[Frame, FrameLabel]


def clouded(frame: Frame, label: FrameLabel, n: int) -> Pair:
    """Put a frame in cloud."""
    left = CLOUD[n]
    dim = _with_stars(frame, left**0.8)
    place, got = frame.placement, frame.measurement
    dim = altered(
        dim,
        throughput=None if place.throughput is None else place.throughput * left,
        transparency=None if place.transparency is None else place.transparency * left,
        ranked_flux_adu=None if got.ranked_flux_adu is None else got.ranked_flux_adu * left,
    )
    return dim, replace(label, transparency=left)


def unfocused(frame: Frame, label: FrameLabel, n: int) -> Pair:
    """Put a frame far out of focus."""
    width = OUT_OF_FOCUS * (frame.measurement.fwhm_px or 0.0)
    out = _with_stars(frame, 0.6)
    out = altered(out, fwhm_px=width, hfr_px=DISC_PROFILE * width, width_from="moments", beta=None)
    return out, replace(label, defocus=OUT_OF_FOCUS)


def soft_start(frame: Frame, label: FrameLabel, n: int) -> Pair:
    """Put a frame a little out of focus."""
    got = frame.measurement
    width, radius = SLIGHTLY_OUT * (got.fwhm_px or 0.0), SLIGHTLY_OUT * (got.hfr_px or 0.0)
    out = altered(_with_stars(frame, 0.8), fwhm_px=width, hfr_px=0.84 * radius)
    return out, replace(label, defocus=SLIGHTLY_OUT)


def trailed(frame: Frame, label: FrameLabel, n: int) -> Pair:
    """Trail a frame's stars."""
    return trail(frame, TRAIL_FWHM), replace(label, trail_fwhm=TRAIL_FWHM)


BEGINNINGS: Mapping[str, tuple[Callable[[Frame, FrameLabel, int], Pair], int]] = {
    "in cloud": (clouded, len(CLOUD)),
    "out of focus": (unfocused, 6),
    "a little out of focus": (soft_start, 6),
    "trailed": (trailed, 6),
}


def begun(
    name: str, frames: Sequence[Frame], labels: Sequence[FrameLabel]
) -> tuple[list[Frame], list[FrameLabel]] | None:
    """Make a night begin badly; None where its beginning is bad as it is, or it is short."""
    spoil, count = BEGINNINGS[name]
    if len(frames) < 2 * count + 4 or any(status(x) != "clean" for x in labels[: count + 2]):
        return None
    pairs = [spoil(frames[n], labels[n], n) for n in range(count)]
    spoilt, told = [f for f, _ in pairs], [label for _, label in pairs]
    return [*spoilt, *frames[count:]], [*told, *labels[count:]]


def _with_stars(frame: Frame, share: float) -> Frame:
    """Leave a share of a frame's stars; a field of few can no longer be followed."""
    got = frame.measurement
    stars = round((got.stars or 0) * share)
    out = altered(frame, stars=stars)
    if got.field is not None:
        zones = tuple(replace(z, stars=round(z.stars * share)) for z in got.field.zones)
        field = replace(got.field, zones=zones)
        out = replace(out, measurement=replace(out.measurement, field=field))
    return out
