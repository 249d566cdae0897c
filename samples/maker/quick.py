"""A handful of clean light frames for tests, any of them changed or spoiled on purpose."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, TypedDict

import numpy as np

from .psf import Psf
from .scenario import FILTERS, TARGETS, Camera, Target
from .shot import CardValue, Rig, Scene, Shot
from .sky import Direction, circumstances
from .stars import Placement
from .write import Truth, make_frame

SKY_E_S = {"L": 1.2, "R": 0.45, "G": 0.33, "B": 0.2, "Ha": 0.03}
START_UTC = datetime(2026, 10, 9, 22, 0, tzinfo=UTC)


class Override(TypedDict, total=False):
    """What can be changed in one frame; anything left out stays as in the rest of the run."""

    start_utc: datetime
    exposure_s: float
    fault: str  # trailed, doubled, defocused, soft, cloud, bright-sky, streak
    filter: str
    target: str  # as written in the header
    psf: Psf
    cards: Mapping[str, CardValue]  # put over the header's own; None removes a card
    name: str  # file name
    seed: tuple[int, ...]  # equal seeds on equal frames give equal pixels


def _spoiled(scene: Scene, fault: str, shape: tuple[int, int]) -> Scene:
    """Give a scene one of the faults that can be drawn."""
    psf = scene.psf
    rows, columns = shape
    across = (0.0, 0.2 * rows, columns - 1.0, 0.7 * rows)
    changes: dict[str, dict[str, Any]] = {
        "trailed": {"psf": replace(psf, trail_px=3.0 * psf.fwhm_px, trail_deg=20.0)},
        "doubled": {"psf": replace(psf, double_px=4.0 * psf.fwhm_px, double_deg=110.0)},
        "defocused": {"psf": replace(psf, blur_px=3.0 * psf.fwhm_px)},
        "soft": {"psf": replace(psf, fwhm_px=1.7 * psf.fwhm_px)},
        "cloud": {"transparency": 0.35, "sky_e_s": 1.5 * scene.sky_e_s},
        "bright-sky": {"sky_e_s": 5.0 * scene.sky_e_s},
        "streak": {"streaks": (across,)},
    }
    if fault not in changes:
        raise ValueError(f"fault must be one of {', '.join(changes)}, not {fault!r}")
    return replace(scene, **changes[fault])


def _written_target(name: str) -> Target:
    """Find a sample target by its name without spaces; anything else is drawn as a bare field."""
    for target in TARGETS.values():
        if target.key.replace(" ", "") == name.replace(" ", ""):
            return target
    return Target(name, 23.46, 30.66, "galaxy", 0.0)


def _clean_shot(index: int, shot: Shot, scene: Scene, step_s: float) -> Shot:
    """Give the frame its own time, dither and random numbers."""
    rng = np.random.default_rng([*shot.seed, 77])  # not the noise's own numbers
    x, y = rng.uniform(-8.0, 8.0, 2)
    turn = scene.place.rotation_deg
    return replace(
        shot,
        path=shot.path.format(index=index + 1),
        start_utc=shot.start_utc + timedelta(seconds=index * step_s),
        scene=replace(scene, place=Placement(float(x), float(y), turn)),
    )


def _changed(shot: Shot, change: Override) -> Shot:
    """Apply one frame's overrides; keys nobody knows are an error, not a silent nothing."""
    unknown = set(change) - set(Override.__annotations__)
    if unknown:
        raise ValueError(f"unknown override: {', '.join(sorted(unknown))}")
    assert shot.scene is not None  # every frame of a run looks at the sky
    scene = shot.scene
    if "psf" in change:
        scene = replace(scene, psf=change["psf"])
    band = shot.band
    if "filter" in change:
        band = FILTERS[change["filter"]]
        scene = replace(scene, sky_e_s=SKY_E_S[band.key])
    if "fault" in change:
        scene = _spoiled(scene, change["fault"], shot.rig.camera.shape)
        shot = replace(shot, faults=(change["fault"],))
    return replace(
        shot,
        scene=scene,
        band=band,
        filter_written=change.get("filter", shot.filter_written),
        target_written=change.get("target", shot.target_written),
        start_utc=change.get("start_utc", shot.start_utc),
        exposure_s=change.get("exposure_s", shot.exposure_s),
        path=change.get("name", shot.path),
        cards=tuple(change.get("cards", {}).items()),
    )


def _located(shot: Shot) -> Shot:
    """Work out altitude, Sun and Moon once the frame's time is settled."""
    assert shot.pointing is not None and shot.scene is not None
    at = circumstances(shot.pointing, shot.start_utc, shot.rig.site)
    return replace(shot, at=at, pier_side="EAST" if at.hour_angle_h > 0 else "WEST")


def make_run(
    folder: str | os.PathLike[str],
    frames: int = 12,
    *,
    seed: int = 1,
    size: tuple[int, int] = (600, 800),
    filter: str = "L",
    target: str = "M33",
    start_utc: datetime = START_UTC,
    exposure_s: float = 300.0,
    overhead_s: float = 17.0,
    fwhm_px: float = 2.4,
    stars: int = 300,
    transparency: float = 1.0,
    rotation_deg: float = 0.0,
    glow: bool = False,
    suffix: str = ".fits",
    cards: Mapping[str, CardValue] | None = None,
    overrides: Mapping[int, Override] | None = None,
) -> list[Truth]:
    """Write a run of quick, clean light frames into a folder and say what was drawn.

    About 50 ms a frame at the default size. All frames share one star field, set by `seed` and
    `target`; runs with the same two can be matched with each other. Sky and seeing are constant,
    pointing is dithered by up to 8 px, the air does not dim stars with altitude.

    Parameters
    ----------
    folder : str or path
        Made if missing.
    frames : int
        How many.
    seed : int
        Everything random comes from it.
    size : tuple of int
        Rows, columns; at least 64 each.
    filter : {"L", "R", "G", "B", "Ha"}
        Pass band, also written as FILTER; use `cards` for another spelling.
    target : str
        Written as OBJECT. "NGC 7000" and "M 33", spaces or not, have the sky place of the
        catalogue objects; any other name stands where M 33 does, with a field of its own.
    start_utc : datetime
        Start of the first frame, timezone-aware.
    exposure_s, overhead_s : float
        Length of an exposure and the gap after it.
    fwhm_px : float
        Width of the Moffat core before pixels integrate it (`Truth.fwhm_px` says what comes out).
    stars : int
        Stars bright enough to detect in a 300 s L frame, roughly.
    transparency : float
        What the sky leaves of the starlight, in every frame.
    rotation_deg : float
        Turn of the field, 180 for a telescope on the other side of the mount.
    glow : bool
        Draw the target's nebula or galaxy too.
    suffix : {".fits", ".fit", ".fits.fz", ".fits.gz"}
        File form.
    cards : mapping, optional
        Header cards put over the usual ones in every frame; None removes a card.
    overrides : mapping of int to Override, optional
        Changes by frame number, counted from 0: `start_utc`, `exposure_s`, `fault`, `filter`,
        `target`, `psf`, `cards`, `name`, `seed`. Drawable faults: trailed, doubled, defocused,
        soft, cloud, bright-sky, streak.

    Returns
    -------
    list of Truth
        One a frame, in order.

    Raises
    ------
    ValueError
        For an unknown fault or override.

    Examples
    --------
    >>> make_run(tmp_path, 6, overrides={
    ...     2: {"fault": "cloud"},
    ...     4: {"exposure_s": 60.0, "cards": {"FILTER": "Luminance", "GAIN": None}},
    ... })  # doctest: +SKIP
    """
    place = _written_target(target)
    scene = Scene(
        target=place,
        place=Placement(0.0, 0.0, rotation_deg),
        psf=Psf(fwhm_px, axis_ratio=0.98, angle_deg=10.0),
        stars=stars,
        sky_e_s=SKY_E_S[filter],
        gradient=(0.03, 0.02),
        transparency=transparency,
        glow=glow,
    )
    common = Shot(
        path=target.replace(" ", "") + "_" + filter + "_{index:04d}" + suffix,
        kind="light",
        rig=Rig(camera=Camera(rows=size[0], columns=size[1])),
        seed=(seed,),
        start_utc=start_utc,
        exposure_s=exposure_s,
        field_seed=seed,
        band=FILTERS[filter],
        filter_written=filter,
        target_written=target,
        pointing=Direction(place.ra_deg, place.dec_deg),
    )
    made = []
    for index in range(frames):
        change = (overrides or {}).get(index, Override())
        own = replace(common, seed=change.get("seed", (seed, index)))
        shot = _clean_shot(index, own, scene, exposure_s + overhead_s)
        own_cards = {**(cards or {}), **change.get("cards", {})}
        shot = _changed(shot, {**change, "cards": own_cards})
        made.append(make_frame(os.fspath(folder), _located(shot)))
    return made
