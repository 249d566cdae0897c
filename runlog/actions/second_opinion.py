"""What photutils says of a file, beside what runlog measured on it."""

from dataclasses import fields
from typing import Any

from runlog.core.frame import FrameHeader, Measurement
from runlog.errors import FrameError
from runlog.ingest.fits import open_frame
from runlog.ingest.task import Limits, Outcome
from runlog.measure.second_opinion import Comparison, SecondOpinion, second_opinion

COMPARED = tuple(f.name for f in fields(SecondOpinion) if f.type is Comparison)


def opinion_on(outcome: Outcome, limits: Limits) -> dict[str, Any]:
    """Read a file that was measured once more and let photutils measure it; the published keys."""
    header, frame = outcome.header, outcome.frame
    assert header is not None
    assert frame is not None
    try:
        with open_frame(outcome.path, limits) as opened:
            return _published(_asked(opened.pixels(), header, frame.measurement))
    except FrameError as error:  # gone or changed since it was measured
        return _published(SecondOpinion(remark=error.what))


def _asked(pixels: Any, header: FrameHeader, found: Measurement) -> SecondOpinion:
    if found.measured:
        return second_opinion(
            pixels, found, bayer=header.mosaic, saturation_adu=header.saturation_adu
        )
    level, kind = found.level, header.kind.value
    if level is None:
        return SecondOpinion(remark=f"{kind} frame: runlog measures nothing on it to compare")
    known = Measurement(
        background_adu=level.median_adu,
        noise_adu=level.noise_adu,
        notes=(f"{kind} frame: runlog looks for no stars on it, only level and noise compare",),
    )
    return second_opinion(pixels, known, has_stars=False)


def _published(opinion: SecondOpinion) -> dict[str, Any]:
    return {
        "photutils_version": opinion.photutils_version,
        "stars_compared": opinion.stars_compared,
        "remark": opinion.remark,
        "values": {name: _both(getattr(opinion, name)) for name in COMPARED},
    }


def _both(value: Comparison) -> dict[str, Any]:
    return {
        "runlog": value.runlog,
        "photutils": value.photutils,
        "difference": value.difference,
        "words": value.words,
    }
