"""What finding fields reads of the frames that may show the same sky."""

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any, NamedTuple

from sqlalchemy import (
    ColumnElement,
    Connection,
    Select,
    and_,
    bindparam,
    exists,
    func,
    select,
    union,
)

from runlog.core.frame import Frame, Kind
from runlog.store import models as m
from runlog.store.loading import Loading
from runlog.store.parts import in_parts

# Target, filter, binning, width, height, gain. Frames of other settings have other plates, other
# fluxes, or other stars: they never compare.
Name = tuple[str, str, int, int, int, float | None]
MOST_ELONGATED = 0.8  # eccentricity: longer trails have no centre to lay anything on


class Candidate(NamedTuple):
    """One measured light that may show the same sky as others of its name."""

    frame: Frame
    fit: bool  # may be the frame that others are laid on


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


def candidates_by_name(
    connection: Connection, rig_id: int, runs: Sequence[int]
) -> Iterator[list[Candidate]]:
    """Load the measured lights of a rig that may compare together, one name at a time.

    Only names that some runs have to do with, which show something else than before.
    """
    names = _names_of(connection, rig_id, runs)
    for target, filter_name in sorted({name[:2] for name in names}):
        asked = {"rig": rig_id, "target": target, "filter": filter_name}
        rows = _FOR_FIELDS.load_with(connection, _CANDIDATES, asked)
        for name, members in groupby(rows, lambda row: name_of(row[0])):
            if name in names:
                yield [Candidate(frame, bool(fit)) for frame, fit in members]


def _names_of(connection: Connection, rig_id: int, runs: Sequence[int]) -> set[Name]:
    """List the names of the runs' frames, and of those they are or were compared with."""
    names: set[Name] = set()
    for run in runs:
        own = {"rig": rig_id, "run": run}
        for query in (_OWN_NAMES, _NAMES_OF_REFERENCES):
            names |= {tuple(row) for row in connection.execute(query, own)}
        # Asked first which these are, mostly none: else all frames of the rig are looked through.
        laid_on = connection.execute(_LAID_ON, own).scalars().all()
        for keys in in_parts(laid_on):
            matched = connection.execute(_NAMES_MATCHED, {"rig": rig_id, "keys": keys})
            names |= {tuple(row) for row in matched}
    return names


def _of_rig(query: Select[Any]) -> Select[Any]:
    return query.where(
        m.run.c.rig_id == bindparam("rig"),
        _F.header_kind == Kind.LIGHT.value,
        _F.measured_with.is_not(None),
    )


def _fit() -> ColumnElement[bool]:
    return func.coalesce(fit_to_be_reference(), False)


_F = m.frame.c
_KEYS = (_F.target, _F.filter, _F.binning_x, _F.width, _F.height, _F.gain)  # as in `Name`
# Of many frames no more than is looked at.
_LOOKED_AT = (
    *(_F.id, _F.content_key, _F.run_id, _F.kind, _F.kind_from, _F.header_kind, _F.header_kind_from),
    *(*_KEYS, _F.arcsec_per_px, _F.taken_at_utc, _F.exposure_s, _F.ra_deg, _F.dec_deg),
    *(_F.stars, _F.fwhm_px, _F.noise_adu, _F.ranked_flux_adu, _F.clipped_stars),
    *(_F.matched_to, _F.matched_past, _F.best_of_name, _F.field_runs),
    *(_F.shift_x_px, _F.shift_y_px, _F.rotation_deg),
)
_FOR_FIELDS = Loading(lambda stored: m.frame.c[stored.column] in set(_LOOKED_AT))
# Built once: a statement takes longer to put together than to run.
_CANDIDATES = (
    _of_rig(_FOR_FIELDS.query.add_columns(_fit()))
    .where(_F.target == bindparam("target"), _F.filter == bindparam("filter"))
    .order_by(*_KEYS)
)
_NAMES = _of_rig(select(*_KEYS).distinct().join(m.run, m.run.c.id == _F.run_id))
_OWN_NAMES = _NAMES.where(_F.run_id == bindparam("run"))
_OF_RUN = m.frame.alias().c
_REFERENCES = union(
    *(
        select(key).where(_OF_RUN.run_id == bindparam("run"), key.is_not(None))
        for key in (_OF_RUN.matched_to, _OF_RUN.best_of_name)
    )
)
_NAMES_OF_REFERENCES = _NAMES.where(_F.content_key.in_(_REFERENCES))
_LAID_ON = select(_OF_RUN.content_key).where(
    _OF_RUN.run_id == bindparam("run"), exists().where(_F.matched_to == _OF_RUN.content_key)
)
_NAMES_MATCHED = _NAMES.where(_F.matched_to.in_(bindparam("keys", expanding=True)))
