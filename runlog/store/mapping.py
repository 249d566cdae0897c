"""Which value of a frame lies in which column, derived from the fields of a frame's parts."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from datetime import UTC, datetime
from enum import StrEnum
from types import NoneType, UnionType
from typing import Any, get_args, get_origin, get_type_hints

from sqlalchemy import JSON, Boolean, Column, DateTime, Float, Integer, String
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator, TypeEngine

from runlog.core.described import kept_in
from runlog.core.frame import Frame, Streak
from runlog.core.sensor.signs import Signs, pack_signs, unpack_signs

Convert = Callable[[Any], Any]


class Utc(TypeDecorator[datetime]):
    """A moment that is always timezone-aware UTC in Python and naive UTC in the database."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        return value if value is None else value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: Any | None, dialect: Dialect) -> datetime | None:
        return value if value is None else value.replace(tzinfo=UTC)


# A plain JSON column would store "nothing" as the text null, which is not NULL to a query.
MAYBE_JSON = JSON(none_as_null=True)
SCALARS: Mapping[Any, TypeEngine[Any]] = {
    int: Integer(), float: Float(), str: String(), bool: Boolean(), datetime: Utc(),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Codec:
    """How a value becomes what a column or JSON holds, and back."""

    read: Convert
    write: Convert


@dataclass(frozen=True, slots=True)
class Stored:
    """One field of a frame's part and its column."""

    name: str
    column: str
    type: TypeEngine[Any]
    nullable: bool
    codec: Codec | None

    @property
    def is_json(self) -> bool:
        """Tell whether it takes time to read."""
        return isinstance(self.type, JSON)


def stored_fields(part: type) -> tuple[Stored, ...]:
    """List the fields of a part that are kept in the table of frames."""
    hints = get_type_hints(part)
    found = []
    for field in fields(part):
        kept = kept_in(field.name, field.metadata)
        if kept.column is not None:
            found.append(_stored(field.name, kept.column, hints[field.name], null=kept.null))
    return tuple(found)


def _stored(name: str, column: str, hint: Any, *, null: bool) -> Stored:
    inner, optional = _without_none(hint)
    nullable = optional or null
    codec = _codec(inner)
    if codec is None or _is_enum(inner):
        used = _maybe(codec) if codec is not None and optional else codec
        return Stored(name, column, SCALARS.get(inner, String()), nullable, used)
    whole = _list_column(codec, null) if get_origin(inner) is tuple else _maybe(codec)
    return Stored(name, column, MAYBE_JSON if nullable else JSON(), nullable, whole)


def _list_column(codec: Codec, null: bool) -> Codec:
    """Take no value for an empty list, and where that is said write no value for one."""
    empty: list[Any] | None = None if null else []
    read, write = codec.read, codec.write
    return Codec(lambda v: read(v) if v else (), lambda v: write(v) or empty)


def _without_none(hint: Any) -> tuple[Any, bool]:
    if get_origin(hint) is not UnionType:
        return hint, False
    (inner,) = [part for part in get_args(hint) if part is not NoneType]
    return inner, True


def _is_enum(hint: Any) -> bool:
    return isinstance(hint, type) and issubclass(hint, StrEnum)


def _maybe(codec: Codec) -> Codec:
    read, write = codec.read, codec.write
    return Codec(
        lambda v: None if v is None else read(v), lambda v: None if v is None else write(v)
    )


def _codec(hint: Any) -> Codec | None:
    """Find how values of a type are kept; None where as they are."""
    if hint in OWN_WAY:
        return OWN_WAY[hint]
    if _is_enum(hint):
        return Codec({member.value: member for member in hint}.__getitem__, lambda v: v.value)
    if get_origin(hint) is tuple:
        return _listed(_codec(get_args(hint)[0]))
    return _object(hint) if is_dataclass(hint) else None


def _listed(codec: Codec | None) -> Codec:
    if codec is None:
        return Codec(tuple, list)
    read, write = codec.read, codec.write
    return Codec(
        lambda values: tuple([read(v) for v in values]), lambda values: [write(v) for v in values]
    )


def _object(kind: Any) -> Codec:
    """Keep a dataclass as an object with its fields; what an older row lacks is its default."""
    hints = get_type_hints(kind)
    inner = {name: _inner(hint) for name, hint in hints.items()}
    own = {name: codec for name, codec in inner.items() if codec is not None}
    readers = [(name, codec.read) for name, codec in own.items()]
    names = [field.name for field in fields(kind)]

    def read(value: Mapping[str, Any]) -> Any:
        made = {**value}
        for name, read_it in readers:
            if name in made:
                made[name] = read_it(made[name])
        return kind(**made)

    def read_plain(value: Mapping[str, Any]) -> Any:
        return kind(**value)

    def write(value: Any) -> dict[str, Any]:
        plain = {name: getattr(value, name) for name in names}
        return plain | {name: codec.write(plain[name]) for name, codec in own.items()}

    return Codec(read if own else read_plain, write)


def _inner(hint: Any) -> Codec | None:
    kind, optional = _without_none(hint)
    codec = _codec(kind)
    return _maybe(codec) if codec is not None and optional else codec


# What was kept before there was a rule.
OWN_WAY: Mapping[Any, Codec] = {
    Signs: Codec(unpack_signs, pack_signs),
    Streak: Codec(lambda ends: Streak(*ends), lambda s: [s.x0, s.y0, s.x1, s.y1]),
}
PARTS: Mapping[str, type] = get_type_hints(Frame)
STORED: Mapping[type, Sequence[Stored]] = {part: stored_fields(part) for part in PARTS.values()}


def table_columns() -> list[Column[Any]]:
    """Make a column for every stored field of a frame."""
    return [
        Column(stored.column, stored.type, nullable=stored.nullable)
        for fields_of in STORED.values()
        for stored in fields_of
    ]


def columns_of(part: object) -> dict[str, Any]:
    """Give what is to be written for a part of a frame, by column."""
    return {s.column: _written(s, getattr(part, s.name)) for s in STORED[type(part)]}


def changed_columns(before: Frame, after: Frame) -> dict[str, Any]:
    """Give what is to be written where a frame is no longer as it was."""
    changed = {}
    for name in PARTS:
        old, new = getattr(before, name), getattr(after, name)
        if old is new:
            continue
        for s in STORED[type(new)]:
            value = getattr(new, s.name)
            if value != getattr(old, s.name):
                changed[s.column] = _written(s, value)
    return changed


def _written(stored: Stored, value: Any) -> Any:
    return value if stored.codec is None else stored.codec.write(value)
