"""What one run says of depth: its best quartiles, and what its kept frames add up to."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import fsum
from typing import TypeVar

from runlog.core.frame import Frame, Grade
from runlog.core.ledger.depth_reference import (
    FEWEST_FRAMES,
    MOST_OVER_LIGHT,
    MOST_OVER_SKY,
    fit,
    night_value,
)
from runlog.core.ledger.effective_time import SkyDepth, sky_depth_of
from runlog.core.sky.moonlight import MOONLESS_NL


@dataclass(frozen=True, slots=True)
class RunDepth:
    """What width and sky of a run were worth in one filter, over its best quarter."""

    filter: str
    frames: int  # it rests on
    moonless: bool | None  # None where nothing is known of the Moon
    point_s_e2: float  # 1 / (FWHM^2 v)
    extended_s_arcsec2_e2: float  # 1 / v


@dataclass(frozen=True, slots=True)
class RunLight:
    """The light of a run in one target and filter, and what its kept frames add up to."""

    target: str
    filter: str
    base: str  # content key of the frame whose ADU the light is counted in
    light2_e2_adu2: float | None  # T^2 of its best quarter; None of fewer than five frames
    kept_frames: int  # of those whose depth is known
    kept_known_s: float
    kept_light_s_e2_adu2: float  # sum of t T^2
    kept_point_s2_adu2: float
    kept_extended_s2_arcsec2_adu2: float


K = TypeVar("K")
Moonlight = Mapping[str, float | None]  # nanolamberts by key


def run_depths(
    lights: Iterable[Frame], spoilt: Iterable[str], moonlight_nl: Moonlight
) -> list[RunDepth]:
    """Find what a run's lights say of width and sky, filter by filter.

    Where five frames or more had no moonlight, over those alone.
    """
    groups = _grouped(_fit(lights, spoilt), lambda frame: frame.context.filter)
    found = (_run_depth(name, members, moonlight_nl) for name, members in sorted(groups.items()))
    return [one for one in found if one is not None]


def _fit(lights: Iterable[Frame], spoilt: Iterable[str]) -> list[Frame]:
    left_out = set(spoilt)
    return [frame for frame in lights if fit(frame) and frame.key not in left_out]


def _run_depth(name: str, frames: Sequence[Frame], moonlight_nl: Moonlight) -> RunDepth | None:
    known = [(frame, sky) for frame in frames if (sky := sky_depth_of(frame)) is not None]
    levels = [moonlight_nl.get(frame.key) for frame, _ in known]
    dark = [sky for (_, sky), nl in zip(known, levels, strict=True) if nl is not None and _dark(nl)]
    if len(dark) >= FEWEST_FRAMES:
        return _as_run_depth(name, dark, moonless=True)
    lit = any(nl is not None and not _dark(nl) for nl in levels)
    return _as_run_depth(name, [sky for _, sky in known], moonless=False if lit else None)


def _dark(moonlight_nl: float) -> bool:
    return moonlight_nl < MOONLESS_NL


def _as_run_depth(name: str, skies: Sequence[SkyDepth], moonless: bool | None) -> RunDepth | None:
    point = night_value((sky.point_s_e2 for sky in skies), MOST_OVER_SKY)
    extended = night_value((sky.extended_s_arcsec2_e2 for sky in skies), MOST_OVER_SKY)
    if point is None or extended is None:
        return None
    return RunDepth(name, len(skies), moonless, point, extended)


def run_lights(lights: Sequence[Frame], spoilt: Iterable[str]) -> list[RunLight]:
    """Add up the depth of a run's kept frames, and find its light, by target, filter and base."""
    groups = _grouped(
        [frame for frame in lights if frame.judgement.depth_base is not None],
        lambda f: (f.context.target, f.context.filter, f.judgement.depth_base or ""),
    )
    left_out = set(spoilt)
    return [_run_light(*key, members, left_out) for key, members in sorted(groups.items())]


def _run_light(
    target: str, name: str, base: str, frames: Sequence[Frame], left_out: set[str]
) -> RunLight:
    light2 = [(f.judgement.light_e_adu or 0.0) ** 2 for f in _fit(frames, left_out)]
    kept = [frame for frame in frames if frame.judgement.grade is Grade.KEEP]
    lengths = [frame.header.exposure_s or 0.0 for frame in kept]
    return RunLight(
        target,
        name,
        base,
        night_value(light2, MOST_OVER_LIGHT),
        len(kept),
        fsum(lengths),
        fsum(t * (f.judgement.light_e_adu or 0.0) ** 2 for t, f in zip(lengths, kept, strict=True)),
        fsum(frame.judgement.point_s2_adu2 or 0.0 for frame in kept),
        fsum(frame.judgement.extended_s2_arcsec2_adu2 or 0.0 for frame in kept),
    )


def _grouped(frames: Iterable[Frame], key: Callable[[Frame], K]) -> dict[K, list[Frame]]:
    groups: dict[K, list[Frame]] = {}
    for frame in frames:
        groups.setdefault(key(frame), []).append(frame)
    return groups
