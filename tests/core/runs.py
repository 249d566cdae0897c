"""Runs of frames by their numbers alone, for tests of grading and the story."""

from collections.abc import Iterable
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from typing import Any, get_type_hints

import numpy as np

from runlog.core.frame import (
    Context,
    Field,
    Frame,
    FrameHeader,
    Identity,
    Kind,
    Measurement,
    Stage,
    Zone,
)
from runlog.core.grading.summary import Group

START = datetime(2026, 10, 9, 20, 0, tzinfo=UTC)
EVERY = timedelta(seconds=318)
CLEAN = Group("L", "bin 1x1, gain 100", 1)  # what clean frames compare with on other nights
REFERENCE = "f" * 32  # the frame that all are laid on
# Of names that two parts have, a test of grading means the part named last.
PART_OF = {
    name: part
    for part in ("header", "measurement", "identity", "placement", "judgement", "context")
    for name in (field.name for field in fields(get_type_hints(Frame)[part]))
}


def altered(frame: Frame, **values: Any) -> Frame:
    """Change values of a frame, whichever part they belong to."""
    for name, value in values.items():
        frame = ODD[name](frame, value) if name in ODD else _put(frame, PART_OF[name], name, value)
    return frame


def _put(frame: Frame, part: str, name: str, value: Any) -> Frame:
    return replace(frame, **{part: replace(getattr(frame, part), **{name: value})})


def _field(frame: Frame, **values: Any) -> Frame:
    return _put(frame, "measurement", "field", replace(frame.measurement.field, **values))


def _flux(frame: Frame, rate: float | None) -> Frame:
    flux_adu = None if rate is None else rate * (frame.header.exposure_s or 0.0)
    return _put(frame, "measurement", "ranked_flux_adu", flux_adu)


# What follows from a value that is kept.
ODD = {
    "tilt": lambda f, v: _field(f, tilt=v),
    "curvature": lambda f, v: _field(f, curvature=v),
    "zone_stars": lambda f, v: _field(f, zones=tuple(Zone(n) for n in v)),
    "resampled": lambda f, v: _put(f, "header", "stage", Stage.REGISTERED if v else Stage.RAW),
    "ranked_flux_adu_s": _flux,
}


def blank(
    key: str, start: datetime | None, length_s: float | None, target: str, filter: str
) -> Frame:
    """Make a light frame of which only the header is known."""
    return Frame(
        Identity(key),
        FrameHeader(Kind.LIGHT, "header", taken_at_utc=start, exposure_s=length_s),
        Measurement(),
        Context(Kind.LIGHT, "header", target=target, filter=filter),
    )


def clean_run(count: int = 40, *, seed: int = 1, **same: Any) -> list[Frame]:
    """Make clean light frames of one field: seeing wanders a little, everything else is steady."""
    random = np.random.default_rng(seed)
    frames = []
    for i in range(count):
        frame = altered(
            blank(f"{i:032x}", START + i * EVERY, 300.0, "M 33", "L"),
            width=1280,
            height=960,
            gain=100.0,
            sensor_c=-10.0,
            set_c=-10.0,
            focus_pos=11200.0,
            focus_c=8.0,
            pier_side="west",
            airmass=1.2,
            moon_alt_deg=-20.0,
            sun_alt_deg=-40.0,
            pedestal_adu=500.0,
            measured_with=1,
            field=Field(()),
            stars=500 + int(random.integers(-15, 15)),
            fwhm_px=2.3 * (1 + 0.04 * random.standard_normal()),
            axis_ratio=0.985,
            eccentricity=0.17,
            elongation_deg=30.0,
            alignment=0.5,
            hfr_px=1.43,
            background_adu=800.0,
            noise_adu=20.0,
            ranked_flux_adu_s=100.0 * (1 + 0.01 * random.standard_normal()),
            beta=3.2,
            width_from="moffat",
            clipped_stars=2,
            zone_stars=(55,) * 9,
            matched_to=REFERENCE,
            best_of_name=REFERENCE,
            throughput=1.0,
            transparency=1.0 + 0.01 * random.standard_normal(),
            shift_x_px=float(random.uniform(-10, 10)),
            shift_y_px=float(random.uniform(-10, 10)),
            rotation_deg=0.0,
            tilt=0.03,
            curvature=0.04,
        )
        width = frame.measurement.fwhm_px or 0.0
        frames.append(altered(frame, **({"hfr_px": 0.62 * width} | same)))
    return frames


def changed(frames: list[Frame], which: Iterable[int], **values: Any) -> list[Frame]:
    """Change some frames of a run; a callable value is given the frame."""
    out = list(frames)
    for i in which:
        own = {k: v(out[i]) if callable(v) else v for k, v in values.items()}
        out[i] = altered(out[i], **own)
    return out


def trail(frame: Frame, length_fwhm: float) -> Frame:
    """Stretch a frame's stars by a trail: second moments of a line are length^2 / 12."""
    fwhm_px = frame.measurement.fwhm_px or 0.0
    sigma2 = (fwhm_px / 2.35482) ** 2
    long2 = sigma2 + (length_fwhm * fwhm_px) ** 2 / 12
    q = float(np.sqrt(sigma2 / long2))
    return altered(
        frame,
        axis_ratio=q,
        eccentricity=float(np.sqrt(1 - q * q)),
        elongation_deg=15.0,
        alignment=0.95,
        fwhm_px=fwhm_px / float(np.sqrt(q)),
        hfr_px=(frame.measurement.hfr_px or 0.0) / float(np.sqrt(q)),
    )
