"""What stood around a frame: Sun, Moon, airmass, and the camera's zero level."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from statistics import median
from typing import Any

import numpy as np
from sqlalchemy import Connection, Row

from runlog.config import Settings
from runlog.core.frame import Kind
from runlog.store import runs as run_store

# --- context: Sun, Moon, airmass ------------------------------------------------------------


def sky_of(rows: Sequence[Row[Any]], settings: Settings) -> list[dict[str, Any]]:
    """Find airmass, Moon and Sun for every row; None where place or time is not known."""
    found: list[dict[str, Any]] = [
        {
            "airmass": row.airmass if row.airmass is not None else row.header_airmass,
            "moon_alt_deg": row.moon_alt_deg,
            "sun_alt_deg": row.sun_alt_deg,
            "moon_sep_deg": row.moon_sep_deg,
        }
        for row in rows
    ]
    placed: dict[tuple[float, float, float], list[int]] = {}
    for i, row in enumerate(rows):
        site = _site(row, settings)
        if row.sun_alt_deg is not None:  # worked out before; a changed header empties it
            continue
        if site is not None and row.taken_at_utc is not None and row.kind in SKYWARD:
            placed.setdefault(site, []).append(i)
    for site, members in placed.items():
        _add_sky(site, [rows[i] for i in members], [found[i] for i in members])
    return found


SKYWARD = frozenset((Kind.LIGHT.value, Kind.FOCUS.value, Kind.OTHER.value, Kind.FLAT.value))


def _site(row: Row[Any], settings: Settings) -> tuple[float, float, float] | None:
    latitude = row.latitude_deg if row.latitude_deg is not None else settings.latitude_deg
    longitude = row.longitude_deg if row.longitude_deg is not None else settings.longitude_deg
    if latitude is None or longitude is None:
        return None
    return latitude, longitude, row.elevation_m or settings.elevation_m


def _add_sky(
    place: tuple[float, float, float], rows: Sequence[Row[Any]], found: Sequence[dict[str, Any]]
) -> None:
    from runlog.core.sky import Site, airmass_of, sky_context

    sky = sky_context([_middle(row) for row in rows], Site(*place), _deg(rows, "ra_deg"),
                      _deg(rows, "dec_deg"))  # fmt: skip
    airmass = airmass_of(sky.target_alt_deg)
    for i, values in enumerate(found):
        values["sun_alt_deg"] = _known(sky.sun_alt_deg[i])
        values["moon_alt_deg"] = _known(sky.moon_alt_deg[i])
        values["moon_sep_deg"] = _known(sky.moon_sep_deg[i])
        if values["airmass"] is None:
            values["airmass"] = _known(airmass[i])


def _middle(row: Row[Any]) -> datetime:
    start: datetime = row.taken_at_utc
    return start + timedelta(seconds=(row.exposure_s or 0.0) / 2)


def _deg(rows: Sequence[Row[Any]], name: str) -> Any:
    return np.array([getattr(r, name) if getattr(r, name) is not None else np.nan for r in rows])


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


# --- the camera's zero level ----------------------------------------------------------------


def pedestals_of(
    connection: Connection, rows: Sequence[Row[Any]], settings: Settings
) -> list[tuple[float | None, str | None]]:
    """Find each frame's zero of light and where it was taken from; unknown is said."""
    levels = {
        camera: run_store.zero_levels(connection, camera) for camera in {r.camera_key for r in rows}
    }
    return [_pedestal(row, levels[row.camera_key], settings) for row in rows]


def _pedestal(
    row: Row[Any], zeros: Sequence[Row[Any]], settings: Settings
) -> tuple[float | None, str | None]:
    if row.header_pedestal_adu is not None:
        return row.header_pedestal_adu, "header"
    if row.stage == "raw":
        alike = [z for z in zeros if _same_settings(z, row)]
        for kind in (Kind.BIAS.value, Kind.DARK.value):
            medians = [z.level["median_adu"] for z in alike if z.kind == kind]
            if medians:
                return median(medians), f"{kind} frames"
    if settings.pedestal_adu is not None:
        return settings.pedestal_adu, "config"
    return None, None


def _same_settings(zero: Row[Any], row: Row[Any]) -> bool:
    names = ("gain", "offset", "binning_x", "readout_mode")
    return all(getattr(zero, name) == getattr(row, name) for name in names)
