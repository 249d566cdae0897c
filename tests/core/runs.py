"""Runs of frames by their numbers alone, for tests of grading and the story."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from runlog.core.frame import Kind, RunFrame

START = datetime(2026, 10, 9, 20, 0, tzinfo=UTC)
EVERY = timedelta(seconds=318)


def clean_run(count=40, *, seed=1, **same):
    """Make clean light frames of one field: seeing wanders a little, everything else is steady."""
    random = np.random.default_rng(seed)
    frames = []
    for i in range(count):
        frame = RunFrame(
            key=f"{i:032x}",
            kind=Kind.LIGHT,
            kind_from="header",
            taken_at_utc=START + i * EVERY,
            exposure_s=300.0,
            target="M 33",
            filter="L",
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
            measured=True,
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
            matched=True,
            throughput=1.0,
            transparency=1.0 + 0.01 * random.standard_normal(),
            shift_x_px=float(random.uniform(-10, 10)),
            shift_y_px=float(random.uniform(-10, 10)),
            rotation_deg=0.0,
            tilt=0.03,
            curvature=0.04,
        )
        width = frame.fwhm_px
        frames.append(replace(frame, **({"hfr_px": 0.62 * width} | same)))
    return frames


def changed(frames, which, **values):
    """Change some frames of a run; a callable value is given the frame."""
    out = list(frames)
    for i in which:
        own = {k: v(out[i]) if callable(v) else v for k, v in values.items()}
        out[i] = replace(out[i], **own)
    return out


def trail(frame, length_fwhm):
    """Stretch a frame's stars by a trail: second moments of a line are length^2 / 12."""
    sigma2 = (frame.fwhm_px / 2.35482) ** 2
    long2 = sigma2 + (length_fwhm * frame.fwhm_px) ** 2 / 12
    q = float(np.sqrt(sigma2 / long2))
    return replace(
        frame,
        axis_ratio=q,
        eccentricity=float(np.sqrt(1 - q * q)),
        elongation_deg=15.0,
        alignment=0.95,
        fwhm_px=frame.fwhm_px / float(np.sqrt(q)),
        hfr_px=frame.hfr_px / float(np.sqrt(q)),
    )
