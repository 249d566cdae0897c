"""What light, sky and stars are usual for a run, by frames that nothing stands in front of."""

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from runlog.core.frame import Frame
from runlog.core.grading.baseline import (
    by_group,
    clearest,
    count_group,
    darkest,
    flux_at_zenith,
    high,
    light_group,
    low,
    noise_group,
    sky_group,
    sky_rate_at_zenith,
)
from runlog.core.grading.clear_view import Shares, SharesByGroup, clear_of

UNDIMMED = 0.93  # of the clear frames' light: less is more than a clear night's own wandering

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class UsualLight:
    """Usual light, per second, among frames that compare; None where too few tell."""

    flux_adu_s: float | None = None  # of the ranked star, at airmass 1
    transparency: float | None = None
    sky_adu_s: float | None = None  # pedestal removed, at airmass 1
    out_of_place_share: float = 0.0  # of the matched, with a band of rows elsewhere than in it


@dataclass(frozen=True, slots=True)
class UsualCount:
    """Usual counts and noise among frames of one length; None where too few tell."""

    stars: float | None = None
    zone_shares: Shares = ()  # of the stars in each ninth
    noise_adu: float | None = None
    background_adu: float | None = None  # zero level included
    clipped_stars: float | None = None


class OpenSky:
    """What is usual in a run, group by group, by the frames that show the open sky.

    `shares` tell how stars are usually spread, for each group of the run.
    """

    def __init__(
        self, frames: Sequence[Frame], hidden: Collection[str], shares: SharesByGroup
    ) -> None:
        self._shares = shares

        def by(find: Callable[[Sequence[Frame]], T]) -> Callable[[Sequence[Frame]], T]:
            return lambda members: find(clear_of(members, hidden))

        self._lights = by_group(frames, light_group, by(usual_light))
        self._counts = by_group(frames, count_group, by(usual_count))
        # What does not hang on the stars is taken from all fields of a name together.
        self._skies = by_group(frames, sky_group, by(usual_sky))
        self._dark = by_group(frames, noise_group, by(usual_dark))
        # Of a group's members all have the same, and are asked for it again and again.
        self._light_of: dict[tuple[object, ...], UsualLight] = {}
        self._count_of: dict[tuple[object, ...], UsualCount] = {}

    def light(self, frame: Frame) -> UsualLight:
        """Give the usual light and sky beside a frame of the run."""
        group = light_group(frame)
        if group not in self._light_of:
            sky = self._skies[sky_group(frame)]
            self._light_of[group] = replace(self._lights[group], sky_adu_s=sky)
        return self._light_of[group]

    def count(self, frame: Frame) -> UsualCount:
        """Give the usual stars and noise beside a frame of the run."""
        group = count_group(frame)
        if group not in self._count_of:
            noise_adu, background_adu = self._dark[noise_group(frame)]
            shares = self._shares[group]
            dark = {"noise_adu": noise_adu, "background_adu": background_adu}
            self._count_of[group] = replace(self._counts[group], zone_shares=shares, **dark)
        return self._count_of[group]

    def dimmed(self, frames: Iterable[Frame]) -> frozenset[str]:
        """List the frames, by key, that lost light against the clear ones of their group."""
        return frozenset(f.key for f in frames if self._is_dimmed(f))

    def _is_dimmed(self, frame: Frame) -> bool:
        light, usual = frame.placement.transparency, self._lights[light_group(frame)].transparency
        return light is not None and usual is not None and light < UNDIMMED * usual


def usual_light(frames: Sequence[Frame]) -> UsualLight:
    """Find the usual light and sky."""
    return UsualLight(
        flux_adu_s=clearest(flux_at_zenith(f) for f in frames),
        transparency=clearest(f.placement.transparency for f in frames),
        sky_adu_s=usual_sky(frames),
        out_of_place_share=_share(
            f.placement.rows_out_of_place is not None for f in frames if f.placement.matched
        ),
    )


def usual_sky(frames: Sequence[Frame]) -> float | None:
    """Find how dark the sky gets, in ADU a second at airmass 1."""
    return darkest(sky_rate_at_zenith(f) for f in frames)


def usual_dark(frames: Sequence[Frame]) -> tuple[float | None, float | None]:
    """Find noise and level of the darkest frames, the zero level included."""
    return darkest(f.measurement.noise_adu for f in frames), darkest(
        f.measurement.background_adu for f in frames
    )


def usual_count(frames: Sequence[Frame]) -> UsualCount:
    """Find the usual number of stars, noise and saturation."""
    noise_adu, background_adu = usual_dark(frames)
    return UsualCount(
        stars=high(f.measurement.stars for f in frames),
        noise_adu=noise_adu,
        background_adu=background_adu,
        clipped_stars=low(f.measurement.clipped_stars for f in frames),
    )


def _share(answers: Iterable[bool]) -> float:
    known = list(answers)
    return sum(known) / len(known) if known else 0.0
