"""Read a FITS header: cards in, one `FrameHeader` in fixed units out.

Keywords come from `keywords`, each group of values is read by a module of its own. What cannot be
believed is left out and asked about in `FrameHeader.questions`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from runlog.core.frame import Card, FrameHeader, Kind, Shape
from runlog.core.header import camera, levels, optics
from runlog.core.header.cards import CardIndex
from runlog.core.header.coordinates import read_pointing
from runlog.core.header.exposure import read_exposure
from runlog.core.header.filter_cards import read_filter
from runlog.core.header.filters import fold_filter
from runlog.core.header.kinds import Clues, decide_kind, stem
from runlog.core.header.longitude import Taken
from runlog.core.header.names_in_words import (
    filter_in_file_name,
    filter_in_target,
    target_in_file_name,
    without_own_filter,
)
from runlog.core.header.plate import Optics, read_scale_arcsec
from runlog.core.header.questions import Doubts
from runlog.core.header.site import read_site
from runlog.core.header.stages import decide_stage, stage_by_cards
from runlog.core.header.start import read_start

_SHORTEST_LIGHT_S = 0.5


@dataclass(frozen=True, slots=True)
class HeaderRules:
    """What the settings add to reading headers.

    `filter_names`: spelling as `filters.filter_key` gives it -> the filter's name. `aliases`: a
    value's name in `keywords.ALIASES` (or "ra", "dec") -> keywords looked at before the known ones.
    """

    filter_names: Mapping[str, str] = field(default_factory=dict)
    aliases: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


_NO_RULES = HeaderRules()


def parse_header(
    cards: Sequence[Card],
    shape: Shape,
    path_parts: Sequence[str] = (),
    rules: HeaderRules = _NO_RULES,
) -> FrameHeader:
    """Read a header's cards; never raises on what a card may hold.

    Parameters
    ----------
    cards : sequence of Card
        Every card of the image's header, as written.
    shape : Shape
        Size and type of the pixel array.
    path_parts : sequence of str
        Folder names and, last, the file name: tell the kind and the stage where the header is
        silent. Of target and filter only the file's name tells, and is said to have told.
    rules : HeaderRules
        Extra spellings and keywords from the settings.
    """
    index, doubts = CardIndex(cards, rules.aliases), Doubts()
    header = _taken(index, shape, path_parts, rules, doubts)
    # The order is that in which questions are asked.
    for read in (_with_optics, _with_place, _with_conditions):
        header = read(header, index, shape, doubts)
    return replace(header, questions=doubts.about(header.kind))


def _taken(
    index: CardIndex,
    shape: Shape,
    path_parts: Sequence[str],
    rules: HeaderRules,
    doubts: Doubts,
) -> FrameHeader:
    """Read what was taken, when, of what and through which filter."""
    exposure = read_exposure(index, doubts)
    clues = Clues(path_parts, index.text("target"), exposure.seconds, exposure.sum_of)
    found = decide_kind(index, clues, doubts)
    folder, name = _last_two(path_parts)
    start = read_start(index, exposure.seconds, doubts)
    bayer = camera.read_bayer(index, shape, doubts)
    mono = bayer is None and shape.planes < 3
    target, filter_raw, filter_name = _names(index, stem(name), rules, found.kind, mono, doubts)
    if found.kind is Kind.LIGHT and mono:
        _check_filter(filter_raw, filter_name, doubts)
    by_cards = stage_by_cards(index, shape)
    return FrameHeader(
        kind=found.kind,
        kind_from=found.source,
        stage=decide_stage(by_cards, folder, stem(name)),
        stage_by_cards=by_cards,
        taken_at_utc=start.at_utc,
        time_from=start.source,
        exposure_s=exposure.seconds,
        filter=filter_name,
        filter_raw=filter_raw,
        target=target,
        bayer=bayer,
        combined=found.combined,
    )


def _with_optics(
    header: FrameHeader, index: CardIndex, _shape: Shape, doubts: Doubts
) -> FrameHeader:
    binning_x, binning_y = camera.read_binning(index, doubts)
    focal_mm = optics.read_focal_mm(index, doubts)
    pixel_um = camera.read_pixel_um(index, binning_x, doubts)
    gain = levels.read_gain(index, doubts)
    return replace(
        header,
        camera=index.text("camera"),
        telescope=index.text("telescope"),
        focal_mm=focal_mm,
        pixel_um=pixel_um,
        binning_x=binning_x,
        binning_y=binning_y,
        gain=gain.setting,
        egain_e_adu=gain.e_adu,
        offset=levels.read_offset(index),
        readout_mode=index.text("readout_mode"),
        read_noise_e=levels.read_noise_e(index),
        saturation_adu=levels.read_saturation_adu(index),
        software=index.text("software"),
    )


def _with_place(header: FrameHeader, index: CardIndex, shape: Shape, doubts: Doubts) -> FrameHeader:
    ra_deg, dec_deg = read_pointing(index, doubts, shape)
    site = read_site(index, doubts, Taken(header.taken_at_utc, header.exposure_s, ra_deg))
    return replace(
        header,
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        elevation_m=site.elevation_m,
        pier_side=optics.read_pier_side(index),
        rotator_deg=optics.read_angle_deg(index, "rotator"),
        sky_angle_deg=optics.read_angle_deg(index, "sky_angle"),
    )


def _with_conditions(
    header: FrameHeader, index: CardIndex, _shape: Shape, doubts: Doubts
) -> FrameHeader:
    scale_by = Optics(header.focal_mm, header.pixel_um, header.binning_x)
    return replace(
        header,
        exposure_s=_exposure_of_kind(header.exposure_s, header.kind, doubts),
        aperture_mm=optics.read_aperture_mm(index, doubts),
        arcsec_per_px=read_scale_arcsec(index, scale_by, doubts),
        sensor_c=camera.read_temperature_c(index, "sensor_temperature", doubts),
        set_c=camera.read_temperature_c(index, "set_temperature", doubts),
        focus_pos=optics.read_focus_pos(index),
        focus_c=camera.read_temperature_c(index, "focus_temperature", doubts),
        ambient_c=camera.read_temperature_c(index, "ambient_temperature", doubts),
        airmass=optics.read_airmass(index, doubts),
        pedestal_adu=levels.read_pedestal_adu(index, doubts),
    )


def _last_two(path_parts: Sequence[str]) -> tuple[str, str]:
    if not path_parts:
        return "", ""
    return (path_parts[-2] if len(path_parts) > 1 else ""), path_parts[-1]


_NOT_SAID = ("unknown", "undefined", "?")  # what a filter's card says where it knows none
_TAKEN_OF_THE_SKY = (Kind.LIGHT, Kind.STACK)


def _names(
    index: CardIndex, file_stem: str, rules: HeaderRules, kind: Kind, mono: bool, doubts: Doubts
) -> tuple[str | None, str | None, str | None]:
    """Give the target, the filter as written and folded; names tell what no card does."""
    target, (raw, name) = index.text("target"), read_filter(index, rules.filter_names)
    of_the_sky = kind in _TAKEN_OF_THE_SKY
    untold = mono and (raw is None or raw.strip().lower() in _NOT_SAID)
    in_file = target_in_file_name(file_stem) if of_the_sky and (untold or not target) else None
    if untold and (of_the_sky or kind is Kind.FLAT):
        raw, name = _filter_by_name(raw, target or "", file_stem, in_file, rules, doubts)
    if not of_the_sky:
        return target, raw, name
    if target is not None:
        return without_own_filter(target, name), raw, name
    if in_file is not None:
        doubts.ask("target-from-name", f"the header names no target; the file name says {in_file}")
    return in_file, raw, name


def _filter_by_name(
    raw: str | None,
    target: str,
    file_stem: str,
    in_file: str | None,
    rules: HeaderRules,
    doubts: Doubts,
) -> tuple[str | None, str | None]:
    """Look for the filter in the target's words, then in the file's; `raw` where neither tells."""
    by_target = filter_in_target(target)
    said = by_target or filter_in_file_name(file_stem, in_file)
    if said is None:
        return raw, None
    whose = "the target's name" if by_target else "the file name"
    doubts.ask("filter-from-name", f"the header names no filter; {whose} says {said}")
    return said, fold_filter(said, rules.filter_names)


def _check_filter(raw: str | None, folded: str | None, doubts: Doubts) -> None:
    if folded is not None and folded.startswith("Slot "):
        text = f"the header gives only {raw}; name that slot's filter in the settings"
        doubts.ask("filter-unknown", text)
    elif raw is None or raw.strip().lower() in _NOT_SAID:
        doubts.ask("filter-unknown", "nothing tells which filter was used")


def _exposure_of_kind(seconds: float | None, kind: Kind, doubts: Doubts) -> float | None:
    """Give the exposure as far as the kind of frame can have it: only a bias takes none."""
    if kind is Kind.BIAS:
        return seconds
    if not seconds:
        said = "missing" if seconds is None else "0 s"
        doubts.ask("exposure", f"the exposure time of this {kind} frame is {said}")
        return None
    if kind is Kind.LIGHT and seconds < _SHORTEST_LIGHT_S:
        doubts.ask("exposure-very-short", f"{seconds:g} s is very short for a deep-sky light frame")
    return seconds
