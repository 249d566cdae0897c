"""What finding fields reads of the frames that may show the same sky."""

from collections.abc import Iterator
from itertools import groupby
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, and_, case, func, not_, or_, select

from runlog.core.frame import Frame, Kind
from runlog.store import models as m
from runlog.store.loading import Loading

# Target, filter, binning, width, height, gain. Frames of other settings have other plates, other
# fluxes, or other stars: they never compare.
Name = tuple[str, str, int, int, int, float | None]
AT_ONCE = 500  # values in one statement; databases have a limit
MOST_ELONGATED = 0.8  # eccentricity: longer trails have no centre to lay anything on


class Candidate(NamedTuple):
    """One measured light that may show the same sky as others of its name."""

    frame: Frame
    fit: bool  # may be the frame that others are laid on
    dirty: bool  # its run is not settled


def name_of(frame: Frame) -> Name:
    """Name what a frame may be compared with: same target, filter, binning, size and gain."""
    size = frame.identity.width, frame.identity.height
    names = frame.context.target, frame.context.filter
    return (*names, frame.header.binning_x, *size, frame.header.gain)


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


def candidates_by_name(connection: Connection, rig_id: int) -> Iterator[list[Candidate]]:
    """Load the measured lights of a rig that may compare together, one name at a time.

    Names in which nothing changed since they were last settled are left out.
    """
    names = _restless_names(connection, rig_id)
    if not names:
        return
    query = _of_rig(_FOR_FIELDS.query.add_columns(_fit(), _DIRTY), rig_id).order_by(*_KEYS)
    targets = sorted({name[0] for name in names})
    if len(targets) <= AT_ONCE:
        query = query.where(_F.target.in_(targets))
    rows = _FOR_FIELDS.load_with(connection, query)
    for name, members in groupby(rows, lambda row: name_of(row[0])):
        if name in names:
            yield [Candidate(frame, bool(fit), bool(dirty)) for frame, fit, dirty in members]


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
    keys = select(*_KEYS).join(m.run, m.run.c.id == _F.run_id)
    query = (
        _of_rig(keys, rig_id)
        .group_by(*_KEYS)
        .having(not_(and_(_sum(_DIRTY) == 0, or_(settled, nothing_fit))))
    )
    return {tuple(row) for row in connection.execute(query)}


def _of_rig(query: Select[Any], rig_id: int) -> Select[Any]:
    return query.where(
        m.run.c.rig_id == rig_id,
        _F.header_kind == Kind.LIGHT.value,
        _F.measured_with.is_not(None),
    )


def _fit() -> ColumnElement[bool]:
    return func.coalesce(fit_to_be_reference(), False)


def _sum(condition: ColumnElement[bool]) -> ColumnElement[int]:
    return func.coalesce(func.sum(case((condition, 1), else_=0)), 0)


_F = m.frame.c
_KEYS = (_F.target, _F.filter, _F.binning_x, _F.width, _F.height, _F.gain)  # as in `Name`
_DIRTY = m.run.c.revision != m.run.c.settled_revision
# Of many frames no more than is looked at.
_LOOKED_AT = (
    *(_F.id, _F.content_key, _F.run_id, _F.kind, _F.kind_from, _F.header_kind, _F.header_kind_from),
    *(*_KEYS, _F.arcsec_per_px, _F.taken_at_utc, _F.exposure_s, _F.ra_deg, _F.dec_deg),
    *(_F.stars, _F.fwhm_px, _F.noise_adu, _F.ranked_flux_adu, _F.clipped_stars),
    *(_F.matched_to, _F.matched_past, _F.best_of_name, _F.field_runs),
    *(_F.shift_x_px, _F.shift_y_px, _F.rotation_deg),
)
_FOR_FIELDS = Loading(lambda stored: m.frame.c[stored.column] in set(_LOOKED_AT))
