"""Sweeps: which focus frames belong together, as numbers that no database is needed for."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import median

from runlog.core.frame import Frame

GAP_S = 300.0  # a longer break ends a sweep
FEWEST_POSITIONS = 5  # common practice, no source
RESET = 5.0  # times the range so far: the counter was set anew, or another focuser speaks
BACK = 0.5  # of the range so far: a step back by so much begins another sweep


@dataclass(frozen=True, slots=True)
class Point:
    """One frame of a sweep; no width where too few stars told one."""

    at_utc: datetime
    end_utc: datetime
    position: float
    fwhm_px: float | None
    hfr_px: float | None
    err: float  # relative standard error of the width
    stars: int | None
    temperature_c: float | None
    temperature_from: str | None  # "focuser" or "air"

    @property
    def measured(self) -> bool:
        """Tell whether it has widths."""
        return self.fwhm_px is not None and self.hfr_px is not None


@dataclass(frozen=True, slots=True)
class Sweep:
    """Frames of one rig, filter and setting while the focuser was stepped through the focus."""

    night: str
    rig: str
    filter: str
    points: tuple[Point, ...]  # in the order of time
    focal_mm: float | None = None
    pixel_um: float | None = None  # of a stored pixel

    @property
    def at_utc(self) -> datetime:
        """When it began."""
        return self.points[0].at_utc

    @property
    def used(self) -> tuple[Point, ...]:
        """Those that have widths."""
        return tuple(p for p in self.points if p.measured)

    @property
    def positions(self) -> int:
        """How many positions were measured."""
        return len({p.position for p in self.used})

    @property
    def temperature(self) -> tuple[float, str] | None:
        """Its median temperature and which thermometer said it; None where none did."""
        for name in ("focuser", "air"):
            said = [p.temperature_c for p in self.points if p.temperature_from == name]
            if said:
                return median(t for t in said if t is not None), name
        return None

    @property
    def approach(self) -> str | None:
        """Which way the focuser went: "rising", "falling" or "both ways"."""
        steps = [b.position - a.position for a, b in pairwise(self.points)]
        steps = [step for step in steps if step]
        if not steps:
            return None
        if all(step > 0 for step in steps):
            return "rising"
        return "falling" if all(step < 0 for step in steps) else "both ways"


def point_of(frame: Frame) -> Point | None:
    """Take from a frame what a sweep wants; None where it tells no position or no time."""
    header, found = frame.header, frame.measurement
    if header.focus_pos is None or header.taken_at_utc is None:
        return None
    width, error = found.fwhm_px, found.fwhm_px_err
    source = "focuser" if header.focus_c is not None else "air"
    value = header.focus_c if header.focus_c is not None else header.ambient_c
    return Point(
        header.taken_at_utc,
        header.taken_at_utc + timedelta(seconds=header.exposure_s or 0.0),
        header.focus_pos,
        width if width else None,
        found.hfr_px if found.hfr_px else None,
        error / width if width and error else 0.0,
        found.stars,
        value,
        source if value is not None else None,
    )


def sweeps_of(frames: Sequence[Frame]) -> list[Sweep]:
    """Gather focus frames into sweeps, in the order of rig and time; two frames are none."""
    told = [(frame, point) for frame in frames if (point := point_of(frame)) is not None]
    told.sort(key=lambda both: (both[0].context.rig, both[1].at_utc, both[0].key))
    found = []
    for group in _groups(told):
        first = group[0][0]
        for points in _turned([point for _, point in group]):
            pixel = first.header.pixel_um
            found.append(
                Sweep(
                    first.context.night,
                    first.context.rig,
                    first.context.filter,
                    tuple(points),
                    first.header.focal_mm,
                    pixel * first.header.binning_x if pixel else None,
                )
            )
    return [sweep for sweep in found if len(sweep.points) > 2]


def _groups(told: Sequence[tuple[Frame, Point]]) -> Iterator[list[tuple[Frame, Point]]]:
    """Part them where rig, filter or setting change, where time passed or the counter jumped."""
    group: list[tuple[Frame, Point]] = []
    for frame, point in told:
        if group and not _goes_on(group, frame, point):
            yield group
            group = []
        group.append((frame, point))
    if group:
        yield group


def _goes_on(group: Sequence[tuple[Frame, Point]], frame: Frame, point: Point) -> bool:
    last, before = group[-1]
    if _setting(last) != _setting(frame):
        return False
    if (point.at_utc - before.end_utc).total_seconds() > GAP_S:
        return False
    places = [p.position for _, p in group]
    span = max(places) - min(places)
    return len(group) < 3 or abs(point.position - before.position) <= RESET * max(span, 1.0)


def _setting(frame: Frame) -> tuple[object, ...]:
    where, header = frame.context, frame.header
    shape = frame.identity.shape
    return where.rig, where.filter, shape.width, shape.height, header.binning_x, header.gain


def _turned(points: Sequence[Point]) -> Iterator[list[Point]]:
    """Part them where the focuser went back to sweep anew; a look back at the end stays."""
    part: list[Point] = []
    for n, point in enumerate(points):
        if _whole(part) and _whole(points[n:]) and _back(part, point):
            yield part
            part = []
        part.append(point)
    yield part


def _whole(points: Sequence[Point]) -> bool:
    return len({p.position for p in points}) >= FEWEST_POSITIONS


def _back(part: Sequence[Point], point: Point) -> bool:
    """Tell whether a step goes back over half of what was swept."""
    places = [p.position for p in part]
    step, way = point.position - places[-1], places[-1] - places[0]
    return step * way < 0 and abs(step) > BACK * (max(places) - min(places))
