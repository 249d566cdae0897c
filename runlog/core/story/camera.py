"""The camera's verdict: read-out, cooling, noise, hot pixels, full stars."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import sqrt

from runlog.core.frame import FaultName
from runlog.core.quantiles import quantile
from runlog.core.sensor.words import CAMERA_OR_CABLE
from runlog.core.story.cooling import cooling_verdict
from runlog.core.story.model import Lights, Opinion, PartVerdict, lost_by
from runlog.core.story.phrases import camera as say
from runlog.core.story.phrases.common import together

ENOUGH_ALIKE = 5  # frames of one kind, to say what is usual
# Common practice, no source: dark current doubles every 6 C or so, and hot pixels with it.
HOT_TIMES, HOT_MORE_PPM = 2.0, 50.0
NOISE_TIMES = 1.25  # beyond what the brighter sky alone can bring


def camera_verdict(lights: Lights, own_rows: str = "") -> PartVerdict:
    """Sum up what is known of the camera; the worst finding names the verdict.

    `own_rows` says which rows and columns always stand apart.
    """
    doubt = list(_rows_in_doubt(lights))
    rows = [*_readout(lights), *doubt, *_own_rows(own_rows)]
    pixels = [*_noise(lights), *_hot_pixels(lights)]
    findings = [*rows, *_cooling(lights, alone=not rows and not pixels), *pixels]
    known = [f for f in findings if f.verdict is not Opinion.UNKNOWN] or findings
    worst = [Opinion.POOR, Opinion.FAIR, Opinion.GOOD, Opinion.UNKNOWN]
    opinion = min((f.verdict for f in known), key=worst.index)
    if doubt and opinion is Opinion.GOOD:
        opinion = Opinion.UNKNOWN
    clipped = sum(t.has(FaultName.CLIPPED) for t in lights)
    full = [say.saturated(clipped)] if clipped else []
    text = together([*(f.evidence for f in findings), *full])
    return PartVerdict(opinion, text, together(f.check for f in findings))


def _cooling(lights: Lights, *, alone: bool) -> Iterator[PartVerdict]:
    """Say beside other findings what it is that is unknown."""
    for found in cooling_verdict(lights):
        name_it = found.verdict is Opinion.UNKNOWN and not alone
        yield replace(found, evidence=say.cooling(found.evidence)) if name_it else found


def _readout(lights: Lights) -> Iterator[PartVerdict]:
    hit = [t for t in lights if t.has(FaultName.READOUT)]
    if hit:
        alike = any(CAMERA_OR_CABLE in f.evidence for t in hit for f in t.verdict.faults)
        check = say.READOUT_OR_CAMERA_CHECK if alike else say.READOUT_CHECK
        yield PartVerdict(
            Opinion.POOR, say.glitches(len(hit), lost_by(hit, FaultName.READOUT)), check
        )


def _rows_in_doubt(lights: Lights) -> Iterator[PartVerdict]:
    """Quote what stands out about the rows of frames and cannot be told from the camera's way."""
    doubts = [t.frame.placement.readout_doubt for t in lights if t.frame.placement.readout_doubt]
    if doubts:
        text = say.rows_in_doubt(len(doubts), len(lights), doubts[0])
        yield PartVerdict(Opinion.UNKNOWN, text)


def _own_rows(own_rows: str) -> Iterator[PartVerdict]:
    if own_rows:
        yield PartVerdict(Opinion.GOOD, own_rows)


def _noise(lights: Lights) -> Iterator[PartVerdict]:
    """Compare noise with what the sky explains: it grows as the root of the sky at the most."""
    groups: dict[tuple[object, ...], list[tuple[float, float]]] = defaultdict(list)
    for t in lights:
        f = t.frame
        if (
            None in (f.measurement.noise_adu, f.measurement.background_adu, f.context.pedestal_adu)
            or f.resampled
        ):
            continue
        if t.has(FaultName.READOUT):
            continue
        sky_adu = (f.measurement.background_adu or 0.0) - (f.context.pedestal_adu or 0.0)
        if sky_adu > 0:
            key = (f.context.filter, f.header.exposure_s, f.header.gain, f.header.binning_x)
            groups[key].append((f.measurement.noise_adu or 0.0, sky_adu))
    beyond = [times for rows in groups.values() for times in _beyond_sky(rows)]
    loud = [times for times in beyond if times > NOISE_TIMES]
    if loud:
        yield PartVerdict(Opinion.FAIR, say.noisy(len(loud), max(loud)), say.NOISE_CHECK)


def _beyond_sky(rows: Sequence[tuple[float, float]]) -> list[float]:
    """Give the noise of like frames over the usual one, what a brighter sky brings taken out."""
    if len(rows) < ENOUGH_ALIKE:
        return []
    dark = quantile((sky for _, sky in rows), 0.25)
    own = [noise / sqrt(max(1.0, sky / dark)) for noise, sky in rows]
    usual = quantile(own, 0.25)
    return [noise / usual for noise in own] if usual > 0 else []


def _hot_pixels(lights: Lights) -> Iterator[PartVerdict]:
    """Tell the usual share of hot pixels, and frames that have far more."""
    groups: dict[tuple[object, ...], list[float]] = defaultdict(list)
    for t in lights:
        f = t.frame
        if f.measurement.hot_pixels_ppm is not None and not t.has(FaultName.READOUT):
            groups[f.header.exposure_s, f.header.gain, f.header.binning_x].append(
                f.measurement.hot_pixels_ppm
            )
    alike = [shares for shares in groups.values() if len(shares) >= ENOUGH_ALIKE]
    if not alike:
        return
    usual = [quantile(shares, 0.25) for shares in alike]
    hot = [
        share
        for shares, low in zip(alike, usual, strict=True)
        for share in shares
        if share > HOT_TIMES * low + HOT_MORE_PPM
    ]
    if hot:
        text = say.hotter(max(usual), max(hot), len(hot))
        yield PartVerdict(Opinion.FAIR, text, say.HOT_CHECK)
    else:
        yield PartVerdict(Opinion.GOOD, say.hot_pixels(max(usual)))
