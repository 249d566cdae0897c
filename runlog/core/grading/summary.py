"""What one run says to other nights: a summary of each filter and setting, by its own frames alone.

No final grade goes in here, nor anything that was learned from other nights: final grades read
summaries, so a summary that read grades would go round in circles.
"""

from cmath import phase, rect
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import degrees, radians
from statistics import median
from typing import NamedTuple

from runlog.core.frame import Frame
from runlog.core.grading.baseline import (
    ENOUGH,
    clearest,
    ellipticity,
    low,
    profile,
    usual_shape,
)
from runlog.core.grading.usual_light import usual_sky

FEWEST_USABLE = 5  # frames that speak for a night: of fewer the good quarter is a single one


class Group(NamedTuple):
    """Frames of a rig that compare from night to night."""

    filter: str
    setting: str
    measured_with: int | None  # numbers of two versions of the measurement do not compare


@dataclass(frozen=True, slots=True)
class Elongation:
    """How stars were stretched on one side of the pier, as seen on the detector."""

    side: str  # where the telescope stood: "east", "west", "" where the header is silent
    frames: int
    e1: float  # (1 - q) / (1 + q) times the cosine of twice the angle from the x axis
    e2: float  # the same with the sine
    # Position angle of the camera on the sky, modulo half a turn; None where no header tells it.
    camera_deg: float | None = None

    @property
    def ellipticity(self) -> complex:
        """The ellipticity as a complex number at twice the angle on the detector."""
        return complex(self.e1, self.e2)


@dataclass(frozen=True, slots=True)
class Light:
    """How much light clear frames gave against the reference of their field."""

    reference: str  # content key
    frames: int
    share: float


@dataclass(frozen=True, slots=True)
class RunSummary:
    """A run in one filter and setting; None where its usable frames cannot tell."""

    filter: str
    setting: str
    measured_with: int | None
    frames: int
    usable: int  # pass all that is asked of them in their own run, and what a person said
    fwhm_px: float | None = None  # at airmass 1
    fwhm_floor_px: float | None = None  # of it, what optics and sampling were held to give
    profile: float | None = None  # half-flux radius over FWHM
    sky_adu_s: float | None = None  # zero level removed, at airmass 1
    exposure_s: float | None = None  # the length that noise and hot pixels are of
    noise_adu: float | None = None
    hot_pixels_ppm: float | None = None
    overhead_s: float | None = None  # from the end of the exposure before to the start
    elongations: tuple[Elongation, ...] = ()
    lights: tuple[Light, ...] = ()

    @property
    def group(self) -> Group:
        """Name what it compares with."""
        return Group(self.filter, self.setting, self.measured_with)

    @property
    def speaks(self) -> bool:
        """Tell whether other nights may be held against it."""
        return self.usable >= FEWEST_USABLE and self.fwhm_px is not None

    @property
    def share_usable(self) -> float:
        """Give its yield."""
        return self.usable / self.frames if self.frames else 0.0


def group_of(frame: Frame) -> Group:
    """Say which frames of other nights a frame compares with."""
    return Group(frame.context.filter, setting_of(frame), frame.measurement.measured_with)


def setting_of(frame: Frame) -> str:
    """Name the camera's setting. Width and shape do not hang on how long the shutter was open."""
    said = frame.header
    binning = said.binning_x, said.binning_y
    return setting_in_words(binning, said.gain, said.offset, said.readout_mode)


def setting_in_words(
    binning: tuple[int, int], gain: float | None, offset: float | None, readout_mode: str | None
) -> str:
    """Write a camera's setting; what a header does not say is left out."""
    parts = [f"bin {binning[0]}x{binning[1]}"]
    parts += [f"gain {gain:g}"] if gain is not None else []
    parts += [f"offset {offset:g}"] if offset is not None else []
    parts += [readout_mode] if readout_mode else []
    return ", ".join(parts)


def summaries(frames: Sequence[Frame], usable: Collection[str]) -> tuple[RunSummary, ...]:
    """Sum up a run's counted lights, of which some, by key, are usable.

    Of frames of several versions of the measurement the newest speak.
    """
    overheads = _overheads(frames)
    groups: dict[tuple[str, str], list[Frame]] = {}
    for frame in frames:
        if frame.measurement.measured:
            groups.setdefault(group_of(frame)[:2], []).append(frame)
    return tuple(
        _summary(_newest(members), usable, overheads) for _, members in sorted(groups.items())
    )


def _newest(frames: Sequence[Frame]) -> list[Frame]:
    newest = max(f.measurement.measured_with or 0 for f in frames)
    return [f for f in frames if (f.measurement.measured_with or 0) == newest]


def _summary(
    frames: Sequence[Frame], usable: Collection[str], overheads: dict[str, float]
) -> RunSummary:
    good = [f for f in frames if f.key in usable and f.measurement.fwhm_px is not None]
    group, shape = group_of(frames[0]), usual_shape(good)
    length_s, alike = _of_one_length(good)
    return RunSummary(
        *group,
        frames=len(frames),
        usable=len(good),
        fwhm_px=shape.fwhm_px,
        fwhm_floor_px=shape.floor_px,
        profile=_median(profile(f) for f in good),
        sky_adu_s=usual_sky(good),
        exposure_s=length_s,
        noise_adu=low(f.measurement.noise_adu for f in alike),
        hot_pixels_ppm=_median(f.measurement.hot_pixels_ppm for f in alike),
        overhead_s=_median(overheads.get(f.key) for f in frames),
        elongations=tuple(_elongations(good)),
        lights=tuple(_lights(good)),
    )


def _of_one_length(frames: Sequence[Frame]) -> tuple[float | None, list[Frame]]:
    """Choose the frames of the commonest length, of several the longest: noise hangs on it."""
    lengths = [f.header.exposure_s for f in frames if f.header.exposure_s is not None]
    if not lengths:
        return None, []
    chosen = max(set(lengths), key=lambda length: (lengths.count(length), length))
    return chosen, [f for f in frames if f.header.exposure_s == chosen]


def _elongations(frames: Sequence[Frame]) -> Iterable[Elongation]:
    sides: dict[str, list[Frame]] = {}
    for frame in frames:
        if ellipticity(frame) is not None:
            sides.setdefault(frame.header.pier_side or "", []).append(frame)
    for side, members in sorted(sides.items()):
        if len(members) >= ENOUGH:
            seen = [e for f in members if (e := ellipticity(f)) is not None]
            e1, e2 = median(e.real for e in seen), median(e.imag for e in seen)
            yield Elongation(side, len(members), e1, e2, camera_angle(members))


def camera_angle(frames: Iterable[Frame]) -> float | None:
    """Average the camera's position angle in degrees, modulo half a turn, as a flip leaves it."""
    angles = [f.header.sky_angle_deg for f in frames]
    known = [rect(1.0, 2 * radians(angle)) for angle in angles if angle is not None]
    middle = sum(known)
    return degrees(phase(middle)) / 2 % 180 if abs(middle) > len(known) / 2 else None


def _lights(frames: Sequence[Frame]) -> Iterable[Light]:
    fields: dict[str, list[Frame]] = {}
    for frame in frames:
        if frame.placement.matched_to is not None and frame.placement.transparency is not None:
            fields.setdefault(frame.placement.matched_to, []).append(frame)
    for reference, members in sorted(fields.items()):
        share = clearest(f.placement.transparency for f in members)
        if len(members) >= FEWEST_USABLE and share is not None:
            yield Light(reference, len(members), share)


def _overheads(frames: Sequence[Frame]) -> dict[str, float]:
    """Give the time, by key, between the end of the exposure before and a frame's start."""
    dated = [f for f in frames if f.header.taken_at_utc is not None]
    dated.sort(key=lambda f: (f.header.taken_at_utc, f.key))
    found = {}
    for before, frame in pairwise(dated):
        start, last = frame.header.taken_at_utc, before.header.taken_at_utc
        if start is not None and last is not None:
            gap_s = (start - last).total_seconds() - (before.header.exposure_s or 0.0)
            found[frame.key] = max(gap_s, 0.0)
    return found


def _median(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return float(median(known)) if len(known) >= ENOUGH else None
