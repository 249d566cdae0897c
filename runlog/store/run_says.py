"""What runs say of hours: all that some runs say, what all say of some targets or references."""

from collections.abc import Collection, Iterator, Sequence
from itertools import chain, groupby
from operator import itemgetter
from typing import Any

from sqlalchemy import Column, ColumnElement, Connection, and_, select, tuple_

from runlog.core.ledger.depth_reference import NightValue
from runlog.core.ledger.run_says import (
    Group,
    Pair,
    RunSays,
    What,
    groups_of,
    references_among,
)
from runlog.core.ledger.worth import Part, References
from runlog.store import models as m
from runlog.store.parts import in_parts
from runlog.store.totals import DEPTHS

_R, _L, _D, _S = m.run.c, m.run_light.c, m.run_depth.c, m.run_sum.c
_LIGHTS = (
    select(_L.run_id, _R.night, _L.light2_e2_adu2, _R.rig_id, _R.depth_form)
    .add_columns(_L.target, _L.filter, _L.base, *[_L[name] for name in DEPTHS])
    .join(m.run, _R.id == _L.run_id)
    .order_by(_L.run_id, _L.target, _L.filter, _L.base)
)
_SKIES = select(
    _D.run_id, _R.night, _R.rig_id, _D.filter, _D.moonless, _D.point_s_e2, _D.extended_s_arcsec2_e2
).join(m.run, _R.id == _D.run_id)
_SUMS = select(_S.run_id, _S.target, _S.filter, _S.kept_s).order_by(_S.run_id)
_OF_SKY = (What.POINT, What.EXTENDED)  # as _SKIES has them

Night = tuple[Group, NightValue]


def of_runs(connection: Connection, run_ids: Collection[int]) -> dict[int, RunSays]:
    """Load all that some runs say."""
    found = {number: RunSays() for number in sorted(run_ids)}
    for some in in_parts(sorted(run_ids)):
        for number, pair, kept_s in _sums(connection, _S.run_id.in_(some)):
            found[number].kept_s[pair] = kept_s
        for number, part, nights in _lights(connection, _L.run_id.in_(some)):
            found[number].parts.setdefault((part.target, part.filter), []).append(part)
            _add(found[number].nights, nights)
        for number, nights in _skies(connection, _D.run_id.in_(some)):
            _add(found[number].nights, nights)
    return found


def of_pairs(connection: Connection, pairs: Collection[Pair]) -> dict[int, RunSays]:
    """Load what all runs keep of some targets and filters, and how deep."""
    found: dict[int, RunSays] = {}
    for some in in_parts(sorted(pairs)):
        for number, pair, kept_s in _sums(connection, tuple_(_S.target, _S.filter).in_(some)):
            found.setdefault(number, RunSays()).kept_s[pair] = kept_s
        for number, part, _ in _lights(connection, tuple_(_L.target, _L.filter).in_(some)):
            own = found.setdefault(number, RunSays()).parts
            own.setdefault((part.target, part.filter), []).append(part)
    return found


def nights_of(
    connection: Connection, groups: Collection[Group]
) -> dict[Group, list[tuple[int, NightValue]]]:
    """Load what the night of every run would be as one of some references."""
    found: dict[Group, list[tuple[int, NightValue]]] = {group: [] for group in sorted(groups)}
    for asked in _asked(groups, _L.base, What.LIGHT):
        for number, _, nights in _lights(connection, asked):
            for group, night in nights:
                found[group].append((number, night))
    # Of the sky there are many: to whom a row goes is looked up once for each rig and filter.
    takers = {
        (rig_id, name): [found.get((what, rig_id, name), []) for what in _OF_SKY]
        for _, rig_id, name in groups
    }
    for asked in _asked(groups, _D.filter, *_OF_SKY):
        rows = connection.execute(_SKIES.where(asked)).all()
        for number, night, rig_id, name, moonless, *values in rows:
            for to, value in zip(takers[rig_id, name], values, strict=True):
                to.append((number, NightValue(value, night, moonless)))
    return found


def references_of_run(connection: Connection, run_id: int) -> References:
    """Find those that a run is divided by: a part of all there are, and quicker found."""
    asked = set(groups_of(part for _, part, _ in _lights(connection, _L.run_id == run_id)))
    return references_among(nights_of(connection, asked))


def divided_by(connection: Connection, groups: Collection[Group]) -> set[tuple[int, str, str, str]]:
    """Find what references divide: rig, target, filter and base of the parts there are."""
    names = select(_R.rig_id, _L.target, _L.filter, _L.base).distinct()
    query = names.join(m.run, _R.id == _L.run_id)
    of_light = _asked(groups, _L.base, What.LIGHT)
    of_sky = _asked(groups, _L.filter, *_OF_SKY)
    return {
        (row[0], row[1], row[2], row[3])
        for asked in chain(of_light, of_sky)
        for row in connection.execute(query.where(asked))
    }


def _asked(
    groups: Collection[Group], names: Column[Any], *what: What
) -> Iterator[ColumnElement[bool]]:
    """Mean the rows of references of some kinds, by rig and name."""
    asked = sorted({group[1:] for group in groups if group[0] in what})
    for rig_id, own in groupby(asked, key=itemgetter(0)):
        for some in in_parts([name for _, name in own]):
            yield and_(_R.rig_id == rig_id, names.in_(some))


def _sums(connection: Connection, asked: ColumnElement[bool]) -> Iterator[tuple[int, Pair, float]]:
    for number, target, name, kept_s in connection.execute(_SUMS.where(asked)):
        yield number, (target, name), kept_s


def _lights(
    connection: Connection, asked: ColumnElement[bool]
) -> Iterator[tuple[int, Part, list[Night]]]:
    for number, night, light2, *values in connection.execute(_LIGHTS.where(asked)):
        part = Part(*values)
        group = (What.LIGHT, part.rig_id, part.base)
        yield number, part, [] if light2 is None else [(group, NightValue(light2, night))]


def _skies(connection: Connection, asked: ColumnElement[bool]) -> Iterator[tuple[int, list[Night]]]:
    for number, night, rig_id, name, moonless, *values in connection.execute(_SKIES.where(asked)):
        yield (
            number,
            [
                ((what, rig_id, name), NightValue(value, night, moonless))
                for what, value in zip(_OF_SKY, values, strict=True)
            ],
        )


def _add(to: dict[Group, list[NightValue]], nights: Sequence[Night]) -> None:
    for group, night in nights:
        to.setdefault(group, []).append(night)
