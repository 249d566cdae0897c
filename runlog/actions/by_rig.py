"""Sums of each rig beside those of all, for the listings that are about several."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import Engine

from runlog.core.selection import EVERYTHING, Selection
from runlog.store.by_rig import RigSums
from runlog.store.by_rig import by_rig as load
from runlog.store.engine import reading


def rig_rows(engine: Engine, selection: Selection = EVERYTHING) -> list[dict[str, Any]]:
    """List what the frames chosen add up to rig by rig; last, with no rig, all of them."""
    with reading(engine) as connection:
        return rows_of(load(connection, selection))


def rows_of(sums: Sequence[RigSums]) -> list[dict[str, Any]]:
    """Write sums of rigs with the published keys."""
    return [asdict(one) | {"share_kept": _share(one)} for one in sums]


def _share(one: RigSums) -> float | None:
    return one.kept_s / one.logged_s if one.logged_s else None
