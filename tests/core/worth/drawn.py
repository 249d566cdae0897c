"""Frames of a picture by their light, sky and width alone."""

from datetime import UTC, datetime, timedelta

from runlog.core.frame import (
    Context,
    Fault,
    FaultName,
    Frame,
    FrameHeader,
    Grade,
    Identity,
    Judgement,
    Kind,
    Measurement,
    Placement,
)  # fmt: skip

START = datetime(2026, 10, 9, 20, 0, tzinfo=UTC)


def frame(
    n, light=1.0, sky=1.0, fwhm=2.4, grade="keep", faults=(), time_s=300.0, by="auto", base="base",
    lacks=None, beta=3.0, scale=1.0, egain=1.0, matched=None,
):  # fmt: skip
    """Make one frame: light a second, variance of the sky a second, width in arc seconds."""
    found = tuple(Fault(FaultName(name), Grade(grade), "") for name in faults)
    extended = None if lacks else time_s * light**2 / sky
    return Frame(
        Identity(f"{n:032x}", id=n),
        FrameHeader(
            Kind.LIGHT, "header", taken_at_utc=START + timedelta(seconds=n * (time_s + 12)),
            exposure_s=time_s, egain_e_adu=egain, pixel_um=3.76, focal_mm=206.264806 * 3.76 / scale,
        ),
        Measurement(
            measured_with=1, stars=500, fwhm_px=fwhm / scale, beta=beta,
            noise_adu=(sky * time_s) ** 0.5 * scale,
        ),
        Context(Kind.LIGHT, "header", 1, "2026-10-09", "Rig", target="M 33", filter="L"),
        Placement(matched_to=matched, throughput=light if matched else None),
        Judgement(
            Grade(grade), Grade(grade), by, found, depth_base=None if lacks else base,
            light_e_adu=None if lacks else light, extended_s2_arcsec2_adu2=extended,
            point_s2_adu2=None if lacks else extended / fwhm**2, depth_lacks=lacks,
        ),
    )  # fmt: skip


def kept(count=20, **own):
    """Make frames that are all alike."""
    return [frame(n + 1, **own) for n in range(count)]
