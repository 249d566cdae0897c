"""Match a run's frames to the best frame of their rig, target and filter."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection

from runlog.core.frame import StarList
from runlog.measure.displaced import rows_out_of_place
from runlog.measure.match import Match, match_stars, throughput
from runlog.store import history
from runlog.store.history import Field, field_of
from runlog.store.settling import StoredFrame

PLACE_KEYS = ("shift_x_px", "shift_y_px", "rotation_deg")
MATCHED_KEYS = ("matched_to", "throughput", "rows_out_of_place", *PLACE_KEYS)
SCALE_SLACK = 0.03  # one rig, one binning: any other scale is another field
Found = dict[str, Any]


class Matcher:
    """Finds references and matches against them; remembers references for one settling."""

    def __init__(self) -> None:
        self._best: dict[int, dict[Field, StoredFrame]] = {}
        self._stars: dict[int, StarList] = {}
        self._depths: dict[tuple[int, Field], float | None] = {}

    def best(self, connection: Connection, rig_id: int) -> Mapping[Field, StoredFrame]:
        """Give the reference of each field of a rig, found once."""
        if rig_id not in self._best:
            self._best[rig_id] = history.best_frames(connection, rig_id)
        return self._best[rig_id]

    def reference(self, connection: Connection, rig_id: int, field: Field) -> StoredFrame | None:
        """Give the reference of a field; None where no frame of it is fit to be one."""
        return self.best(connection, rig_id).get(field)

    def match(
        self, connection: Connection, rig_id: int, rows: Sequence[StoredFrame]
    ) -> dict[int, Found]:
        """Give each row's place and light against its reference; stored answers are kept."""
        best = self.best(connection, rig_id)
        found: dict[int, Found] = {}
        fresh: list[tuple[StoredFrame, StoredFrame]] = []
        for row in rows:
            reference = best.get(field_of(row))
            if reference is None:
                found[row.id] = dict.fromkeys(MATCHED_KEYS)
            elif row.matched_to == reference.content_key:
                found[row.id] = {}
            else:
                fresh.append((row, reference))
        if fresh:
            stars = history.star_lists(connection, [row.id for row, _ in fresh])
            for row, reference in fresh:
                there = self._stars_of(connection, reference)
                found[row.id] = match_rows(reference, there, row, stars.get(row.id, StarList()))
        return found

    def _stars_of(self, connection: Connection, row: StoredFrame) -> StarList:
        if row.id not in self._stars:
            self._stars |= {row.id: StarList()} | history.star_lists(connection, [row.id])
        return self._stars[row.id]

    def depth_throughput(
        self, connection: Connection, rig_id: int, field: Field, content_key: str
    ) -> float | None:
        """Give the light of the frozen depth frame against today's reference."""
        key = (rig_id, field)
        if key not in self._depths:
            self._depths[key] = self._measure_depth(connection, rig_id, field, content_key)
        return self._depths[key]

    def _measure_depth(
        self, connection: Connection, rig_id: int, field: Field, content_key: str
    ) -> float | None:
        reference = self.reference(connection, rig_id, field)
        row = history.frame_by_key(connection, content_key)
        if reference is None or row is None or row.gain != reference.gain:
            return None
        here, there = self._stars_of(connection, row), self._stars_of(connection, reference)
        light: float | None = match_rows(reference, there, row, here)["throughput"]
        return light


def match_rows(best: StoredFrame, best_stars: StarList, row: StoredFrame, stars: StarList) -> Found:
    """Match one frame; the reference itself lies on itself."""
    tried = dict.fromkeys(MATCHED_KEYS) | {"matched_to": best.content_key}
    if row.id == best.id:
        return tried | {"throughput": 1.0} | dict.fromkeys(PLACE_KEYS, 0.0)
    match = match_stars(best_stars, stars, (row.width, row.height))
    if match is None or abs(match.scale - 1) > SCALE_SLACK:
        return tried
    light = throughput(
        best_stars,
        stars,
        match,
        reference_exposure_s=best.exposure_s or 0.0,
        exposure_s=row.exposure_s or 0.0,
        clipped=max(best.clipped_stars or 0, row.clipped_stars or 0),
    )
    common = _common(stars, match, row.width, row.height)
    unmet = _unmet(best_stars, match, row.width, row.height)
    rows = rows_out_of_place(stars, {here for _, here in match.pairs}, common, unmet, row.width)
    found = {"throughput": light.ratio if light else None, "rows_out_of_place": rows}
    return tried | _place(match) | found


def _common(stars: StarList, match: Match, width: int, height: int) -> npt.NDArray[np.bool_]:
    """Tell which stars lie on the sky that the reference frame shows too."""
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    away = np.column_stack([stars.x, stars.y]) - centre - [match.shift_x_px, match.shift_y_px]
    turn = np.radians(match.rotation_deg)
    x = away[:, 0] * np.cos(turn) + away[:, 1] * np.sin(turn)
    y = away[:, 1] * np.cos(turn) - away[:, 0] * np.sin(turn)
    return np.asarray((np.abs(x) < centre[0]) & (np.abs(y) < centre[1]))


def _unmet(best: StarList, match: Match, width: int, height: int) -> npt.NDArray[np.float64]:
    """Give where the reference's stars should be in this frame, of those on which none fell."""
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    met = {there for there, _ in match.pairs}
    left = [i for i in range(len(best.x)) if i not in met]
    away = np.column_stack([np.array(best.x)[left], np.array(best.y)[left]]) - centre
    turn = np.radians(match.rotation_deg)
    x = away[:, 0] * np.cos(turn) - away[:, 1] * np.sin(turn)
    y = away[:, 1] * np.cos(turn) + away[:, 0] * np.sin(turn)
    place = np.column_stack([x, y]) + centre + [match.shift_x_px, match.shift_y_px]
    inside = (place > 0).all(axis=1) & (place < [width, height]).all(axis=1)
    return np.asarray(place[inside], np.float64)


def _place(match: Match) -> Found:
    return {
        "shift_x_px": match.shift_x_px,
        "shift_y_px": match.shift_y_px,
        "rotation_deg": match.rotation_deg,
    }
