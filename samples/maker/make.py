"""Whole sample nights: plan every frame, draw them, copy one, damage some."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, as_completed
from dataclasses import replace
from pathlib import Path

from .calibration import calibration_shots
from .night import light_shots
from .scenario import DEFAULT_NIGHTS, NIGHTS, SCALES, Scale, Script
from .shot import Rig, Shot
from .write import Truth, copy_frame, make_frame, write_damaged

Progress = Callable[[int, int], None]


def _scripts(nights: int | None, scale: str) -> tuple[Script, ...]:
    """Choose the nights to make, refusing more than are written down."""
    written = NIGHTS[scale]
    wanted = DEFAULT_NIGHTS[scale] if nights is None else nights
    if not 1 <= wanted <= len(written):
        message = f"nights must be 1 to {len(written)} for scale {scale!r}, not {wanted}"
        raise ValueError(message)
    return written[:wanted]


def plan(*, seed: int = 7, nights: int | None = None, scale: str = "demo") -> list[Shot]:
    """Plan every frame of a set without drawing any.

    Raises
    ------
    ValueError
        For a scale or a number of nights that is not written down.
    """
    if scale not in SCALES:
        raise ValueError(f"scale must be one of {', '.join(SCALES)}, not {scale!r}")
    scripts, size = _scripts(nights, scale), SCALES[scale]
    rig = Rig(camera=size.camera)
    shots = [
        shot
        for number, script in enumerate(scripts)
        for shot in light_shots(script, size, rig, seed, number)
    ]
    return shots + list(calibration_shots(scripts[0], size, rig, seed))


def _drawn_here(folder: str, shots: list[Shot], progress: Progress) -> Iterator[Truth]:
    for done, shot in enumerate(shots, 1):
        yield make_frame(folder, shot)
        progress(done, len(shots))


def _drawn_there(
    folder: str, shots: list[Shot], progress: Progress, executor: Executor
) -> Iterator[Truth]:
    futures: list[Future[Truth]] = [executor.submit(make_frame, folder, shot) for shot in shots]
    try:
        for done, future in enumerate(as_completed(futures), 1):
            future.result()
            progress(done, len(shots))
    except BaseException:
        for future in futures:
            future.cancel()
        raise
    yield from (future.result() for future in futures)


def _backups(folder: Path, scripts: tuple[Script, ...], made: list[Truth]) -> Iterator[Truth]:
    """Copy the frames that the scripts say have been copied."""
    for script in scripts:
        if script.backup is not None:
            of_night = [t for t in made if t.kind == "light" and script.evening in t.path.parts]
            yield copy_frame(folder, of_night[script.backup])


def _damaged(folder: Path, scale: Scale, shots: list[Shot]) -> list[Truth]:
    """Add the damaged files, which only the small set has: the others shall scan cleanly."""
    if scale.name != "small":
        return []
    return write_damaged(folder, replace(shots[0], seed=(*shots[0].seed, 99)))


def _silent(_done: int, _total: int) -> None:
    """Report to nobody."""


def make_nights(
    folder: str | os.PathLike[str],
    *,
    seed: int = 7,
    nights: int | None = None,
    scale: str = "demo",
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> list[Truth]:
    """Make a set of sample nights below a folder.

    Parameters
    ----------
    folder : str or path
        Made if missing; files of the same names are overwritten.
    seed : int
        The same seed gives the same pixels and headers.
    nights : int, optional
        How many of the scale's nights; default demo 3, small 2, full 1.
    scale : {"demo", "small", "full"}
        1.2, 0.25 or 8.1 megapixel frames.
    progress : callable, optional
        Called with frames done and frames in all.
    executor : concurrent.futures.Executor, optional
        Draws the frames; without one they are drawn here, one after another.

    Returns
    -------
    list of Truth
        One entry a file, in the order planned: lights and focus frames by night, calibration
        frames, copies, damaged files.
    """
    root = Path(folder)
    root.mkdir(parents=True, exist_ok=True)
    shots = plan(seed=seed, nights=nights, scale=scale)
    report = progress or _silent
    if executor is None:
        made = list(_drawn_here(str(root), shots, report))
    else:
        made = list(_drawn_there(str(root), shots, report, executor))
    made += list(_backups(root, _scripts(nights, scale), made))
    return made + _damaged(root, SCALES[scale], shots)
