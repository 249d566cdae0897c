"""Match a run's frames to the best frame of their rig, target and filter."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection, Row

from runlog.core.frame import StarList
from runlog.core.policy import extinction_mag
from runlog.measure.match import Match, match_stars, throughput
from runlog.measure.readout import rows_out_of_place
from runlog.store import history
from runlog.store.history import Field

PLACE_KEYS = ("shift_x_px", "shift_y_px", "rotation_deg")
MATCHED_KEYS = ("matched_to", "throughput", "rows_out_of_place", *PLACE_KEYS)
SCALE_SLACK = 0.03  # one rig, one binning: any other scale is another field
Found = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Reference:
    """The best frame of a field, with its stars."""

    row: Row[Any]
    stars: StarList


class Matcher:
    """Finds references and matches against them; remembers references for one settling."""

    def __init__(self) -> None:
        self.references: dict[tuple[int, Field], Reference | None] = {}
        self._depths: dict[tuple[int, Field], float | None] = {}

    def reference(self, connection: Connection, rig_id: int, field: Field) -> Reference | None:
        """Find the reference of a field, once."""
        key = (rig_id, field)
        if key not in self.references:
            row = history.reference_frame(connection, rig_id, field)
            stars = history.star_lists(connection, [row.id]) if row is not None else {}
            self.references[key] = (
                Reference(row, stars.get(row.id, StarList())) if row is not None else None
            )
        return self.references[key]

    def match(
        self, connection: Connection, rig_id: int, rows: Sequence[Row[Any]]
    ) -> dict[int, Found]:
        """Give each row's place and light against its reference; stored answers are kept."""
        found: dict[int, Found] = {}
        fresh: list[tuple[Row[Any], Reference]] = []
        for row in rows:
            reference = self.reference(connection, rig_id, field_of(row))
            if reference is None:
                found[row.id] = dict.fromkeys(MATCHED_KEYS)
            elif row.matched_to == reference.row.content_key:
                found[row.id] = {key: getattr(row, key) for key in MATCHED_KEYS}
            else:
                fresh.append((row, reference))
        stars = history.star_lists(connection, [row.id for row, _ in fresh])
        for row, reference in fresh:
            found[row.id] = match_rows(reference, row, stars.get(row.id, StarList()))
        return found

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
        if reference is None or row is None or row.gain != reference.row.gain:
            return None
        stars = history.star_lists(connection, [row.id]).get(row.id, StarList())
        light: float | None = match_rows(reference, row, stars)["throughput"]
        return light


def field_of(row: Row[Any]) -> Field:
    """Name what a frame can be matched with: same target, filter, binning, size and gain."""
    return (row.target, row.filter, row.binning_x, row.width, row.height, row.gain)


def match_rows(reference: Reference, row: Row[Any], stars: StarList) -> Found:
    """Match one frame; the reference itself lies on itself."""
    best = reference.row
    tried = dict.fromkeys(MATCHED_KEYS) | {"matched_to": best.content_key}
    if row.id == best.id:
        return tried | {"throughput": 1.0} | dict.fromkeys(PLACE_KEYS, 0.0)
    match = match_stars(reference.stars, stars, (row.width, row.height))
    if match is None or abs(match.scale - 1) > SCALE_SLACK:
        return tried
    light = throughput(
        reference.stars,
        stars,
        match,
        reference_exposure_s=best.exposure_s or 0.0,
        exposure_s=row.exposure_s or 0.0,
        clipped=max(best.clipped_stars or 0, row.clipped_stars or 0),
    )
    common = _common(stars, match, row.width, row.height)
    rows = rows_out_of_place(stars, {here for _, here in match.pairs}, common)
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


def _place(match: Match) -> Found:
    return {
        "shift_x_px": match.shift_x_px,
        "shift_y_px": match.shift_y_px,
        "rotation_deg": match.rotation_deg,
    }


def transparency(
    light: float | None,
    airmass: float | None,
    reference_airmass: float | None,
    filter_name: str,
) -> float | None:
    """Take out of the throughput what a clear sky takes at a frame's airmass."""
    if light is None or airmass is None or reference_airmass is None:
        return light
    return light * float(10 ** (0.4 * extinction_mag(filter_name) * (airmass - reference_airmass)))
