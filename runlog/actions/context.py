"""What stood around a frame: Sun, Moon, airmass, and the camera's zero level."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from math import isfinite, nan
from operator import attrgetter
from statistics import median
from typing import Any

from sqlalchemy import Connection, Row

from runlog.config import Settings
from runlog.core.frame import Context, Frame, Kind, Stage
from runlog.core.sky.daylight import LitSite
from runlog.store import settling

# --- context: Sun, Moon, airmass ------------------------------------------------------------

PlaceOnEarth = tuple[float, float, float]


def sky_of(frames: Sequence[Frame], settings: Settings, *, moved: bool = False) -> list[Context]:
    """Find airmass, Moon and Sun where they are not stored; None where place or time is not known.

    What was worked out before stands; a changed header empties it. `moved` tells that the config
    names another site than it did then, so that frames that lean on it are looked at again.
    """
    found = [_stored(frame, moved) for frame in frames]
    placed: dict[PlaceOnEarth, list[int]] = {}
    for i, frame in enumerate(frames):
        if frame.context.sun_alt_deg is not None and not (moved and _leans_on_config(frame)):
            continue
        site = _site(frame, settings)
        dated = frame.header.taken_at_utc is not None
        if site is not None and dated and frame.context.kind in SKYWARD:
            placed.setdefault(site, []).append(i)
    for site, members in placed.items():
        own = _with_sky(site, [frames[i] for i in members], [found[i] for i in members])
        for i, context in zip(members, own, strict=True):
            found[i] = context
    return found


def _stored(frame: Frame, moved: bool) -> Context:
    said = frame.header.airmass
    if moved and _leans_on_config(frame):
        return replace(
            frame.context, airmass=said, moon_alt_deg=None, moon_sep_deg=None, sun_alt_deg=None
        )
    if frame.context.airmass is None and said is not None:
        return replace(frame.context, airmass=said)
    return frame.context


def _leans_on_config(frame: Frame) -> bool:
    header = frame.header
    return None in (header.latitude_deg, header.longitude_deg) or not header.elevation_m


SKYWARD = frozenset((Kind.LIGHT, Kind.FOCUS, Kind.OTHER, Kind.FLAT))


def _site(frame: Frame, settings: Settings) -> PlaceOnEarth | None:
    header = frame.header
    latitude = header.latitude_deg if header.latitude_deg is not None else settings.latitude_deg
    longitude = header.longitude_deg if header.longitude_deg is not None else settings.longitude_deg
    if latitude is None or longitude is None:
        return None
    return latitude, longitude, header.elevation_m or settings.elevation_m


def lit_site(frame: Frame, settings: Settings) -> LitSite | None:
    """Give where a frame was taken, and whether that leans on the config's longitude."""
    site = _site(frame, settings)
    if site is None:
        return None
    return LitSite(site[0], site[1], frame.header.longitude_deg is None)


def _with_sky(
    place: PlaceOnEarth, frames: Sequence[Frame], contexts: Sequence[Context]
) -> Iterator[Context]:
    import numpy as np

    from runlog.core.sky.earth import Site
    from runlog.core.sky.ephemeris import airmass_of, rounded, sky_context

    ra_deg, dec_deg = (
        np.array([nan if value is None else value for value in values])
        for values in ([f.header.ra_deg for f in frames], [f.header.dec_deg for f in frames])
    )
    sky = sky_context([_middle(frame) for frame in frames], Site(*place), ra_deg, dec_deg)
    airmass = rounded(airmass_of(sky.target_alt_deg))
    for i, context in enumerate(contexts):
        yield replace(
            context,
            sun_alt_deg=_known(sky.sun_alt_deg[i]),
            moon_alt_deg=_known(sky.moon_alt_deg[i]),
            moon_sep_deg=_known(sky.moon_sep_deg[i]),
            airmass=_known(airmass[i]) if context.airmass is None else context.airmass,
        )


def _middle(frame: Frame) -> datetime:
    assert frame.header.taken_at_utc is not None  # the caller chose those that have a time
    return frame.header.taken_at_utc + timedelta(seconds=(frame.header.exposure_s or 0.0) / 2)


def _known(value: float) -> float | None:
    return float(value) if isfinite(value) else None


# --- the camera's zero level ----------------------------------------------------------------


CameraSettings = tuple[object, ...]  # gain, offset, binning, read-out mode


class ZeroLevels:
    """Levels without light of each camera and its settings, loaded once a settling."""

    def __init__(self) -> None:
        self._of_camera: dict[str, dict[CameraSettings, tuple[float, str]]] = {}

    def pedestals(
        self, connection: Connection, frames: Sequence[Frame], settings: Settings
    ) -> list[tuple[float | None, str | None]]:
        """Find each frame's zero of light and where it was taken from; unknown is said."""
        for camera in {frame.identity.camera_key for frame in frames} - self._of_camera.keys():
            self._of_camera[camera] = _by_settings(settling.zero_levels(connection, camera))
        return [self._pedestal(frame, settings) for frame in frames]

    def _pedestal(self, frame: Frame, settings: Settings) -> tuple[float | None, str | None]:
        header = frame.header
        if header.pedestal_adu is not None:
            return header.pedestal_adu, "header"
        known = self._of_camera[frame.identity.camera_key].get(_settings_of(header))
        if header.stage is Stage.RAW and known is not None:
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
