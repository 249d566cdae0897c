"""What sweeps that found the focus say, each by itself: all that slope and advice rest on."""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from runlog.core.frame import Frame, Kind

if TYPE_CHECKING:
    from runlog.core.focus.judge import Result

FIT_VERSION = 1  # of the fit and of what refuses one; what was kept by another is fitted anew


@dataclass(frozen=True, slots=True)
class FoundFocus:
    """A sweep that found the focus."""

    night: str  # ISO date of the evening
    at_utc: datetime  # when it began
    filter: str
    reach: float  # steps swept
    best: float
    best_err: float
    best_95: float
    half_range: float | None  # steps to each side in which stars are at most a twentieth wider
    temperature_c: float | None
    temperature_from: str | None


def found_focus(results: "Iterable[Result]") -> list[FoundFocus]:
    """Take the sweeps that say where the focus is."""
    return [found for result in results if (found := _found(result)) is not None]


def _found(result: "Result") -> FoundFocus | None:
    sweep, fit = result.sweep, result.fit
    if fit is None or not result.good:
        return None
    places = [p.position for p in sweep.points]
    return FoundFocus(
        sweep.night,
        sweep.at_utc,
        sweep.filter,
        max(places) - min(places),
        fit.best,
        fit.best_err,
        fit.best_95,
        result.half_range,
        *(sweep.temperature or (None, None)),
    )


def sweeps_digest(frames: Iterable[Frame]) -> str:
    """Sign everything that sweeps are made of; "" where a run has none."""
    told = [frame for frame in frames if frame.context.kind is Kind.FOCUS]
    if not told:
        return ""
    said = sorted((frame.key, repr(_of_sweep(frame))) for frame in told)
    return hashlib.blake2b(repr((FIT_VERSION, said)).encode(), digest_size=16).hexdigest()


def _of_sweep(frame: Frame) -> tuple[object, ...]:
    header, found, context = frame.header, frame.measurement, frame.context
    return (
        *(context.night, context.rig, context.filter, frame.identity.shape),
        *(header.taken_at_utc, header.exposure_s, header.focus_pos, header.binning_x, header.gain),
        *(header.focus_c, header.ambient_c),
        *(found.fwhm_px, found.fwhm_px_err, found.hfr_px, found.stars),
    )


def found_in_run(frames: Sequence[Frame]) -> list[FoundFocus]:
    """Fit the sweeps of a run, in order of time."""
    from runlog.core.focus.judge import judge  # numpy takes a tenth of a second to import
    from runlog.core.focus.sweep import sweeps_of

    focusing = [f for f in frames if f.context.kind is Kind.FOCUS]
    sweeps = sorted(sweeps_of(focusing), key=lambda s: (s.at_utc, s.filter))
    return found_focus(judge(sweep) for sweep in sweeps)
