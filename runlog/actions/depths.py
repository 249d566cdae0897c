"""Effective time of frames against the frozen reference of their rig, target and filter."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row

from runlog.actions.matching import Matcher, field_of
from runlog.core.depth import DepthForm, DepthReference, effective_s, sky_variance
from runlog.core.scale import plate_scale_arcsec
from runlog.store import history


@dataclass(frozen=True, slots=True)
class Frozen:
    """The frame that counts one second for one second, as it was when it was frozen."""

    target: str
    filter: str
    content_key: str
    fwhm_arcsec: float
    sky_variance: float


class Depths:
    """Frozen references, looked up once a settling."""

    def __init__(self) -> None:
        self._frozen: dict[tuple[int, str, str], Frozen | None] = {}

    def frozen(
        self, connection: Connection, matcher: Matcher, rig_id: int, row: Row[Any]
    ) -> tuple[Frozen | None, bool]:
        """Give the reference of a frame's field, and whether it has just been chosen."""
        key = (rig_id, row.target, row.filter)
        known = self._frozen.get(key)
        if known is not None:
            return known, False
        stored = history.depth_reference(connection, *key)
        chosen = _as_stored(stored) if stored else _best(connection, matcher, rig_id, row)
        self._frozen[key] = chosen
        return chosen, stored is None

    def effective_s(
        self,
        connection: Connection,
        matcher: Matcher,
        rig_id: int,
        row: Row[Any],
        light: float | None,
        form: DepthForm,
    ) -> float | None:
        """Scale an exposure by the depth it reached; None where a part is unknown."""
        frozen = self._frozen.get((rig_id, row.target, row.filter))
        depth = depth_of(row)
        if frozen is None or depth is None or light is None:
            return None
        # Light in ADU compares only at one gain setting.
        at_frozen = matcher.depth_throughput(connection, rig_id, field_of(row), frozen.content_key)
        if not at_frozen:
            return None
        reference = DepthReference(frozen.fwhm_arcsec, frozen.sky_variance)
        return effective_s(row.exposure_s, light / at_frozen, *depth, reference, form)


def _as_stored(row: Row[Any]) -> Frozen:
    return Frozen(row.target, row.filter, row.content_key, row.fwhm_arcsec, row.sky_variance)


def _best(connection: Connection, matcher: Matcher, rig_id: int, row: Row[Any]) -> Frozen | None:
    reference = matcher.reference(connection, rig_id, field_of(row))
    depth = depth_of(reference.row) if reference is not None else None
    if reference is None or depth is None:
        return None
    return Frozen(row.target, row.filter, reference.row.content_key, *depth)


def depth_of(row: Row[Any]) -> tuple[float, float] | None:
    """Width in arc seconds and background variance a second; None where a part is unknown."""
    scale = scale_of(row) or 1.0  # without a plate scale both stay in pixels
    if not row.fwhm_px or not row.noise_adu or not row.exposure_s:
        return None
    variance = sky_variance(row.noise_adu, row.egain_e_adu or 1.0, row.exposure_s, scale)
    return row.fwhm_px * scale, variance


def scale_of(row: Row[Any]) -> float | None:
    """Arc seconds per pixel, binning included; None where the header does not tell."""
    if not row.pixel_um or not row.focal_mm:
        return None
    return plate_scale_arcsec(row.pixel_um * row.binning_x, row.focal_mm)
