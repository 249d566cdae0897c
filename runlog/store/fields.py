"""What finding fields reads of the frames that may show the same sky."""

from collections.abc import Iterator
from datetime import datetime
from itertools import groupby
from operator import attrgetter
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, and_, case, func, not_, or_, select

from runlog.core.frame import Kind
from runlog.store import models as m

# Frames of other settings have other plates, other fluxes, or other stars: they never compare.
NAME_KEYS = ("target", "filter", "binning_x", "width", "height", "gain")
Name = tuple[str, str, int, int, int, float | None]  # values of NAME_KEYS
AT_ONCE = 500  # values in one statement; databases have a limit
MOST_ELONGATED = 0.8  # eccentricity: longer trails have no centre to lay anything on


class Sight(NamedTuple):
    """One measured light, as far as its field is concerned."""

    id: int
    run_id: int
    content_key: str
    target: str
    filter: str
    binning_x: int
    width: int
    height: int
    gain: float | None
    arcsec_per_px: float | None
    taken_at_utc: datetime | None
    exposure_s: float | None
    ra_deg: float | None
    dec_deg: float | None
    stars: int | None
    fwhm_px: float | None
    noise_adu: float | None
    ranked_flux_adu: float | None
    clipped_stars: int | None
    matched_to: str | None
    matched_past: str | None
    best_of_name: str | None
    field_runs: int | None
    shift_x_px: float | None
    shift_y_px: float | None
    rotation_deg: float | None
    fit: bool  # may be the frame that others are laid on
    dirty: bool  # its run is not settled


def name_of(row: Any) -> Name:
    """Name what a frame may be compared with: same target, filter, binning, size and gain."""
    return _name(row)


_name = attrgetter(*NAME_KEYS)


def fit_to_be_reference() -> ColumnElement[bool]:
    """Tell which frames others may be laid on: round, focused, read out without a glitch."""
    f = m.frame.c
    return and_(
        f.counted,
        f.fwhm_px.is_not(None),
        f.eccentricity < MOST_ELONGATED,
        f.noise_adu > 0,
        f.readout.is_(None),
        f.exposure_s > 0,
    )


def sights_by_name(connection: Connection, rig_id: int) -> Iterator[list[Sight]]:
    """Load the measured lights of a rig that may compare together, one name at a time.

    Names in which nothing changed since they were last settled are left out.
    """
    names = _restless_names(connection, rig_id)
    if not names:
        return
    columns = [_F[name] for name in Sight._fields if name not in ("fit", "dirty")]
    query = _of_rig(select(*columns, _fit(), _DIRTY), rig_id).order_by(*_KEYS)
    targets = sorted({name[0] for name in names})
    if len(targets) <= AT_ONCE:
        query = query.where(_F.target.in_(targets))
    rows = map(Sight._make, connection.execute(query))
    for name, members in groupby(rows, _name):
        if name in names:
            yield list(members)


def _restless_names(connection: Connection, rig_id: int) -> set[Name]:
    """Find the names with a run to settle, or with answers that do not fit together.

    Those of several fields are always among them: this table cannot tell so quickly.
    """
    own = _fit() & (_F.matched_to == _F.content_key)
    first = own & (_F.best_of_name == _F.content_key)
    matched = func.count(_F.matched_to)
    one_best = func.count(_F.best_of_name.distinct()) == 1
    settled = and_(
        func.count(_F.matched_to.distinct()) == 1,
        one_best,
        _sum(first) == 1,
        matched == func.count(),
    )
    nothing_fit = and_(matched == 0, _sum(_fit()) == 0)
    query = (
        _of_rig(select(*_KEYS), rig_id)
        .group_by(*_KEYS)
        .having(not_(and_(_sum(_DIRTY) == 0, or_(settled, nothing_fit))))
    )
    return {tuple(row) for row in connection.execute(query)}


def _of_rig(query: Select[Any], rig_id: int) -> Select[Any]:
    return (
        query.join(m.run, m.run.c.id == _F.run_id)
        .where(m.run.c.rig_id == rig_id, _F.header_kind == Kind.LIGHT.value)
        .where(_F.measured_with.is_not(None))
    )


def _fit() -> ColumnElement[bool]:
    return func.coalesce(fit_to_be_reference(), False)


def _sum(condition: ColumnElement[bool]) -> ColumnElement[int]:
    return func.coalesce(func.sum(case((condition, 1), else_=0)), 0)


_F = m.frame.c
_KEYS = [_F[name] for name in NAME_KEYS]
_DIRTY = m.run.c.revision != m.run.c.settled_revision
