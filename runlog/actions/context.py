"""What stood around a frame: Sun, Moon, airmass, and the camera's zero level."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from operator import attrgetter
from statistics import median
from typing import Any

import numpy as np
from sqlalchemy import Connection, Row

from runlog.config import Settings
from runlog.core.frame import Kind
from runlog.core.sky.daylight import LitSite
from runlog.store import settling
from runlog.store.settling import StoredFrame

# --- context: Sun, Moon, airmass ------------------------------------------------------------

SKY = ("airmass", "moon_alt_deg", "moon_sep_deg", "sun_alt_deg")
Found = dict[str, Any]
PlaceOnEarth = tuple[float, float, float]


def sky_of(rows: Sequence[StoredFrame], settings: Settings, *, moved: bool = False) -> list[Found]:
    """Find airmass, Moon and Sun where they are not stored; None where place or time is not known.

    What was worked out before stands; a changed header empties it. `moved` tells that the config
    names another site than it did then, so that frames that lean on it are looked at again.
    """
    found: list[Found] = [_stored(row, moved) for row in rows]
    placed: dict[PlaceOnEarth, list[int]] = {}
    for i, row in enumerate(rows):
        if row.sun_alt_deg is not None and not (moved and _leans_on_config(row)):
            continue
        site = _site(row, settings)
        if site is not None and row.taken_at_utc is not None and row.kind in SKYWARD:
            placed.setdefault(site, []).append(i)
    for site, members in placed.items():
        _add_sky(site, [rows[i] for i in members], [found[i] for i in members])
    return found


def _stored(row: StoredFrame, moved: bool) -> Found:
    if moved and _leans_on_config(row):
        return dict.fromkeys(SKY) | {"airmass": row.header_airmass}
    if row.airmass is None and row.header_airmass is not None:
        return {"airmass": row.header_airmass}
    return {}


def _leans_on_config(row: StoredFrame) -> bool:
    return None in (row.latitude_deg, row.longitude_deg) or not row.elevation_m


SKYWARD = frozenset((Kind.LIGHT.value, Kind.FOCUS.value, Kind.OTHER.value, Kind.FLAT.value))


def _site(row: StoredFrame, settings: Settings) -> PlaceOnEarth | None:
    latitude = row.latitude_deg if row.latitude_deg is not None else settings.latitude_deg
    longitude = row.longitude_deg if row.longitude_deg is not None else settings.longitude_deg
    if latitude is None or longitude is None:
        return None
    return latitude, longitude, row.elevation_m or settings.elevation_m


def lit_site(row: StoredFrame, settings: Settings) -> LitSite | None:
    """Give where a frame was taken, and whether that leans on the config's longitude."""
    site = _site(row, settings)
    return None if site is None else LitSite(site[0], site[1], row.longitude_deg is None)


def _add_sky(place: PlaceOnEarth, rows: Sequence[StoredFrame], found: Sequence[Found]) -> None:
    from runlog.core.sky.earth import Site
    from runlog.core.sky.ephemeris import airmass_of, sky_context

    sky = sky_context([_middle(row) for row in rows], Site(*place), _deg(rows, "ra_deg"),
                      _deg(rows, "dec_deg"))  # fmt: skip
    airmass = airmass_of(sky.target_alt_deg)
    for i, (row, values) in enumerate(zip(rows, found, strict=True)):
        values["sun_alt_deg"] = _known(sky.sun_alt_deg[i])
        values["moon_alt_deg"] = _known(sky.moon_alt_deg[i])
        values["moon_sep_deg"] = _known(sky.moon_sep_deg[i])
        if values.get("airmass", row.airmass) is None:
            values["airmass"] = _known(airmass[i])


def _middle(row: StoredFrame) -> datetime:
    assert row.taken_at_utc is not None  # the caller chose those that have a time
    return row.taken_at_utc + timedelta(seconds=(row.exposure_s or 0.0) / 2)


def _deg(rows: Sequence[StoredFrame], name: str) -> Any:
    return np.array([getattr(r, name) if getattr(r, name) is not None else np.nan for r in rows])


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


# --- the camera's zero level ----------------------------------------------------------------


CameraSettings = tuple[object, ...]  # gain, offset, binning, read-out mode


class ZeroLevels:
    """Levels without light of each camera and its settings, loaded once a settling."""

    def __init__(self) -> None:
        self._of_camera: dict[str, dict[CameraSettings, tuple[float, str]]] = {}

    def pedestals(
        self, connection: Connection, rows: Sequence[StoredFrame], settings: Settings
    ) -> list[tuple[float | None, str | None]]:
        """Find each frame's zero of light and where it was taken from; unknown is said."""
        for camera in {row.camera_key for row in rows} - self._of_camera.keys():
            self._of_camera[camera] = _by_settings(settling.zero_levels(connection, camera))
        return [self._pedestal(row, settings) for row in rows]

    def _pedestal(self, row: StoredFrame, settings: Settings) -> tuple[float | None, str | None]:
        if row.header_pedestal_adu is not None:
            return row.header_pedestal_adu, "header"
        known = self._of_camera[row.camera_key].get(_settings_of(row))
        if row.stage == "raw" and known is not None:
            return known
        if settings.pedestal_adu is not None:
            return settings.pedestal_adu, "config"
        return None, None


# Works on whatever holds these columns.
_settings_of = attrgetter("gain", "offset", "binning_x", "readout_mode")


def _by_settings(zeros: Sequence[Row[Any]]) -> dict[CameraSettings, tuple[float, str]]:
    """Take the median level of the bias frames of each setting, else of its darks."""
    levels: dict[tuple[CameraSettings, str], list[float]] = {}
    for zero in zeros:
        levels.setdefault((_settings_of(zero), zero.kind), []).append(zero.level["median_adu"])
    found: dict[CameraSettings, tuple[float, str]] = {}
    for kind in (Kind.DARK.value, Kind.BIAS.value):  # the last one stays
        for (own, of_kind), values in levels.items():
            if of_kind == kind:
                found[own] = (median(values), f"{kind} frames")
    return found
