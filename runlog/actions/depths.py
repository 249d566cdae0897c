"""Effective time of frames against the frozen reference of their rig, target and filter."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row

from runlog.actions.matcher import Matcher
from runlog.core.frame import Frame, FrameHeader
from runlog.core.ledger.effective_time import DepthForm, DepthReference, effective_s, sky_variance
from runlog.core.sky.plate_scale import plate_scale_arcsec
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
    """Frozen references, looked up once a settling; those chosen anew wait to be stored."""

    def __init__(self, matcher: Matcher) -> None:
        self._matcher = matcher
        self._frozen: dict[tuple[int, str, str], Frozen] = {}
        self._none: set[str] = set()  # frames that cannot be one
        self._fresh: dict[tuple[int, str, str], Frozen] = {}

    def effective_s(
        self, connection: Connection, rig_id: int, frame: Frame, form: DepthForm
    ) -> float | None:
        """Scale an exposure by the depth it reached; None where a part is unknown.

        Width and sky are against the frozen frame; light is, too, where it shows the same field,
        else against the best frame of the field.
        """
        matcher = self._matcher
        best, reference = matcher.best(frame), matcher.reference(frame)
        light, exposure_s = frame.placement.throughput, frame.header.exposure_s
        if best is None or reference is None or light is None or exposure_s is None:
            return None
        frozen, depth = self._reference(connection, rig_id, best), depth_of(frame)
        if frozen is None or depth is None:
            return None
        # Light in ADU compares only at one gain setting.
        at_frozen = matcher.depth_throughput(connection, reference, frozen.content_key)
        if not at_frozen:
            return None
        counts_one = DepthReference(frozen.fwhm_arcsec, frozen.sky_variance)
        return effective_s(exposure_s, light / at_frozen, *depth, counts_one, form)

    def _reference(self, connection: Connection, rig_id: int, best: Frame) -> Frozen | None:
        key = (rig_id, best.context.target, best.context.filter)
        known = self._frozen.get(key)
        if known is not None or best.key in self._none:
            return known
        stored = history.depth_reference(connection, *key)
        chosen = _as_stored(stored) if stored else _as_frozen(best)
        if chosen is None:
            self._none.add(best.key)
            return None
        self._frozen[key] = chosen
        if stored is None:
            self._fresh[key] = chosen
        return chosen

    def fresh(self, rig_id: int) -> list[Frozen]:
        """List the references of a rig that were chosen but are not stored yet."""
        return [frozen for key, frozen in self._fresh.items() if key[0] == rig_id]

    def stored(self, rig_id: int) -> None:
        """Note that the references of a rig are safely in."""
        self._fresh = {key: frozen for key, frozen in self._fresh.items() if key[0] != rig_id}


def _as_stored(row: Row[Any]) -> Frozen:
    return Frozen(row.target, row.filter, row.content_key, row.fwhm_arcsec, row.sky_variance)


def _as_frozen(best: Frame) -> Frozen | None:
    depth = depth_of(best)
    return (
        None
        if depth is None
        else Frozen(best.context.target, best.context.filter, best.key, *depth)
    )


def depth_of(frame: Frame) -> tuple[float, float] | None:
    """Width in arc seconds and background variance a second; None where a part is unknown."""
    scale = scale_of(frame.header) or 1.0  # without a plate scale both stay in pixels
    width, noise = frame.measurement.fwhm_px, frame.measurement.noise_adu
    seconds = frame.header.exposure_s
    if not width or not noise or not seconds:
        return None
    return width * scale, sky_variance(noise, frame.header.egain_e_adu or 1.0, seconds, scale)


def scale_of(header: FrameHeader) -> float | None:
    """Arc seconds per pixel by the optics, binning included; None where the header does not tell.

    By the optics alone: world coordinates measure each frame a little otherwise, and a frozen
    reference that was taken in pixels must stay so.
    """
    if not header.pixel_um or not header.focal_mm:
        return None
    return plate_scale_arcsec(header.pixel_um * header.binning_x, header.focal_mm)
