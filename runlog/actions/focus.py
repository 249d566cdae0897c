"""What focus sweeps say: each of them, and all of a rig's together."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection, Engine

from runlog.config import Settings
from runlog.core.focus.judge import Result
from runlog.core.focus.plot import plot
from runlog.core.focus.rig import RigFocus, rig_focus, sizes_of
from runlog.core.focus.slope import Offset
from runlog.core.focus.sweep import sweeps_of
from runlog.core.frame import Frame
from runlog.core.header.cards import CardIndex
from runlog.core.header.optics import read_aperture_mm
from runlog.core.header.questions import Doubts
from runlog.core.selection import EVERYTHING, Selection
from runlog.store.engine import reading
from runlog.store.sweeps import (
    cards_of,
    changes_by_rig,
    focus_frames,
    focus_frames_without_position,
    lights_beside_sweeps,
)

FOCUS_KEYS = (
    "kind rig night at_utc filter against points positions best_pos best_pos_err best_fwhm_px "
    "half_range_steps chi2_nu approach temperature_c temperature_from slope_per_c slope_low "
    "slope_high sweeps span_c offset_steps offset_err offset_from refocus_each_c refocus_low_c "
    "refocus_high_c zone_um zone_steps_low zone_steps_high zone_rule verdict reason measured"
).split()

Row = dict[str, Any]
Nights = Mapping[tuple[str, str], Sequence[Frame]]  # by rig and night


@dataclass(frozen=True, slots=True)
class Drawn:
    """A sweep that was asked for, and how to draw it."""

    row: Row
    result: Result
    frames: tuple[float, ...]  # where the focuser stood in the night's lights

    @property
    def picture(self) -> list[str]:
        """Draw it in characters."""
        return plot(self.result, self.frames)


@dataclass(frozen=True, slots=True)
class FocusTold:
    """The answer: sweeps with their pictures, and rows of what follows from all sweeps."""

    sweeps: list[Drawn]
    others: list[Row]
    without_position: int

    @property
    def rows(self) -> list[Row]:
        """All rows, as JSON and CSV give them."""
        return [drawn.row for drawn in self.sweeps] + self.others


def focus(engine: Engine, settings: Settings, selection: Selection = EVERYTHING) -> FocusTold:
    """Judge the sweeps chosen; slope, offsets and advice rest on all nights of their rigs.

    A night or a filter chooses sweeps to show; dates and rigs choose what everything rests on.
    """
    record = replace(selection, night=None, filter=None)
    with reading(engine) as connection:
        frames = focus_frames(connection, record)
        changes = changes_by_rig(connection)
        lost = focus_frames_without_position(connection, selection)
        lights = _by_night(lights_beside_sweeps(connection, selection))
        apertures = {rig: _aperture(connection, own) for rig, own in _by_rig(frames).items()}
    rigs = [
        rig_focus(rig, sweeps_of(own), changes.get(rig, ()), apertures[rig])
        for rig, own in sorted(_by_rig(frames).items())
    ]
    rigs = [rig for rig in rigs if any(_chosen(r, selection) for r in rig.results)]
    sweeps = [
        Drawn(sweep_row(r), r, tuple(_positions(lights, r)))
        for rig in rigs
        for r in rig.results
        if _chosen(r, selection)
    ]
    others = [row for rig in rigs for row in _rows_of(rig, lights, settings, selection)]
    return FocusTold(sweeps, others, lost)


def _by_rig(frames: Sequence[Frame]) -> Mapping[str, list[Frame]]:
    groups: dict[str, list[Frame]] = {}
    for frame in frames:
        groups.setdefault(frame.context.rig, []).append(frame)
    return groups


def _by_night(frames: Sequence[Frame]) -> Nights:
    groups: dict[tuple[str, str], list[Frame]] = {}
    for frame in frames:
        groups.setdefault((frame.context.rig, frame.context.night), []).append(frame)
    return groups


def _aperture(connection: Connection, frames: Sequence[Frame]) -> float | None:
    """Read the aperture of the last frame's header: it is in no column."""
    index = CardIndex(cards_of(connection, frames[-1].identity.id), {})
    return read_aperture_mm(index, Doubts())


def _chosen(result: Result, selection: Selection) -> bool:
    sweep = result.sweep
    return selection.night in (None, sweep.night) and selection.filter in (None, sweep.filter)


def _positions(lights: Nights, result: Result) -> list[float]:
    sweep = result.sweep
    return [
        f.header.focus_pos
        for f in lights.get((sweep.rig, sweep.night), ())
        if f.header.focus_pos is not None and f.context.filter == sweep.filter
    ]


# --- rows -------------------------------------------------------------------------------------


def _row(kind: str, rig: str, **values: Any) -> Row:
    row = dict.fromkeys(FOCUS_KEYS) | {"kind": kind, "rig": rig} | values
    assert set(row) == set(FOCUS_KEYS), set(row) ^ set(FOCUS_KEYS)
    return row


def sweep_row(result: Result) -> Row:
    """Write one sweep; what a refused fit gave is not repeated."""
    sweep, warm = result.sweep, result.sweep.temperature
    fit, widths = (result.fit, result.widths) if result.good else (None, None)
    return _row(
        "sweep",
        sweep.rig,
        night=sweep.night,
        at_utc=sweep.at_utc,
        filter=sweep.filter,
        points=len(sweep.points),
        positions=sweep.positions,
        best_pos=fit.best if fit else None,
        best_pos_err=fit.best_95 if fit else None,
        best_fwhm_px=widths.least if widths else None,
        half_range_steps=result.half_range,
        chi2_nu=fit.chi2_nu if fit else None,
        approach=sweep.approach,
        temperature_c=warm[0] if warm else None,
        temperature_from=warm[1] if warm else None,
        verdict="found" if result.good else "refused",
        reason=result.reason,
        measured=[[p.position, p.fwhm_px, p.hfr_px] for p in sweep.points],
    )


def _rows_of(rig: RigFocus, lights: Nights, settings: Settings, selection: Selection) -> list[Row]:
    rows = [_slope_row(rig)]
    rows += [_offset_row(rig.rig, o) for o in rig.offsets if _about(o, selection)]
    for night in sorted({r.sweep.night for r in rig.results if _chosen(r, selection)}):
        own = lights.get((rig.rig, night), ())
        sizes = sizes_of(own, rig.results, settings.policy)
        rows += [_offset_row(rig.rig, o) | {"night": night} for o in sizes]
    return [*rows, _advice_row(rig), *_zone_rows(rig, selection)]


def _about(offset: Offset, selection: Selection) -> bool:
    return selection.filter in (None, offset.filter, offset.against)


def _slope_row(rig: RigFocus) -> Row:
    slope = rig.slope
    known = "found" if slope.shown else "none shown"
    return _row(
        "slope",
        rig.rig,
        slope_per_c=slope.per_c,
        slope_low=slope.low,
        slope_high=slope.high,
        sweeps=slope.sweeps,
        span_c=slope.span_c,
        temperature_from=slope.temperature_from,
        verdict="unknown" if slope.per_c is None else known,
        reason=slope.reason,
    )


def _offset_row(rig: str, offset: Offset) -> Row:
    return _row(
        "offset",
        rig,
        filter=offset.filter,
        against=offset.against,
        offset_steps=offset.steps,
        offset_err=offset.err_95,
        offset_from=offset.source,
        sweeps=offset.sweeps,
        verdict=_offset_verdict(offset),
        reason=offset.reason,
    )


def _offset_verdict(offset: Offset) -> str:
    if offset.steps is None:
        return "unknown"
    return "side unknown" if offset.source == "frames" else "found"


def _advice_row(rig: RigFocus) -> Row:
    advice = rig.advice
    return _row(
        "advice",
        rig.rig,
        half_range_steps=advice.half_range,
        refocus_each_c=advice.each_c,
        refocus_low_c=advice.low,
        refocus_high_c=advice.high,
        verdict="unknown" if advice.each_c is None else "found",
        reason=advice.reason,
    )


def _zone_rows(rig: RigFocus, selection: Selection) -> list[Row]:
    return [
        _row(
            "zone",
            rig.rig,
            filter=name,
            zone_um=zone.um,
            zone_steps_low=zone.steps_low,
            zone_steps_high=zone.steps_high,
            zone_rule=zone.rule,
            verdict="unknown" if zone.um is None else "found",
            reason=zone.reason,
        )
        for name, zone in sorted(rig.zones.items())
        if selection.filter in (None, name)
    ]
