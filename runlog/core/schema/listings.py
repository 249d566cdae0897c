"""Which keys each listing has, of which type; a frame's come from its one definition."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from runlog.core.frame import Frame
from runlog.core.published import ROW_KEYS

Kinds = tuple[str, ...]
STRING, COUNT, NUMBER = ("string",), ("integer",), ("number",)
BOOLEAN, LIST, OBJECT = ("boolean",), ("array",), ("object",)
NULL = ("null",)


@dataclass(frozen=True, slots=True)
class Listing:
    """The rows of a listing, and what stands beside them."""

    schema: str
    keys: Sequence[str]
    beside: Sequence[str] = ()
    optional: Sequence[str] = ()
    stream: bool = False  # an object a line, as things happen, and no listing around them


_SUMS = "frames logged_s kept_s doubtful_s rejected_s ungraded_s"
_TOTAL = (
    f"target filter {_SUMS} effective_s goal_s to_go_s frames_to_go nights share_kept "
    "gain_next_hour credited_s goal_form priority done mosaic panel effective_note"
).split()
_NIGHT = (
    "night night_from rig dark_start_utc dark_end_utc first_utc last_utc open_shutter_s elapsed_s "
    "overhead_median_s counts added effective_note lost dark_lost verdicts noted to_check events"
).split()
_BOOK = "who at_utc undoes stands"

LISTINGS: Mapping[str, Listing] = {
    "frames": Listing("runlog.frames/1", ROW_KEYS),
    "measure": Listing("runlog.measure/1", ROW_KEYS, optional=["second_opinion"]),
    "night": Listing("runlog.night/1", _NIGHT, beside=[*_NIGHT, "to_go"]),
    "report": Listing(
        "runlog.report/1",
        "about night rig headline figures blocks".split(),
        beside="about of title made".split(),
    ),
    "nights": Listing("runlog.nights/1", f"night rig {_SUMS} night_from noted".split(), ["rigs"]),
    "totals": Listing("runlog.totals/1", _TOTAL, beside=["mosaics", "rigs"]),
    "growth": Listing(
        "runlog.growth/1",
        f"night target filter {_SUMS} effective_s kept_so_far_s effective_so_far_s "
        "effective_note".split(),
    ),
    "published": Listing(
        "runlog.published/1", "target filter exposure_s frames first_night last_night".split()
    ),
    "forecast": Listing(
        "runlog.forecast/1",
        "target filter priority goal_s kept_s to_go_s done nights_needed nights_few nights_many "
        "record_nights usual_night_s share_kept text date_20 date_50 date_80 season_end "
        "not_this_season chances".split(),
        beside=["pace"],
    ),
    "targets": Listing(
        "runlog.targets/1",
        "target frames logged_s spellings ra_deg dec_deg questions".split(),
    ),
    "target_changes": Listing(
        "runlog.target_changes/1", f"id action subject object {_BOOK}".split()
    ),
    "corrections": Listing(
        "runlog.corrections/1", f"id field value selection frames {_BOOK}".split()
    ),
    "notes": Listing("runlog.notes/1", f"id night rig text changed {_BOOK}".split()),
    "calibration": Listing(
        "runlog.calibration/1",
        "rig filter exposure_s gain offset readout_mode binning size origin set_c rotator_deg "
        "frames nights darks flats flat_darks bias missing notes doubts".split(),
        ("judged", "judged_since"),
    ),
    "export": Listing(
        "runlog.export/2",
        "path target filter night exposure_s effective_s depth_share weight".split(),
    ),
    "policy": Listing("runlog.policy/1", "filter setting doubtful reject value".split()),
    "policy-history": Listing("runlog.policy-history/1", "rig at_utc who says".split()),
    "explain": Listing(
        "runlog.explain/1",
        "fault what value doubtful reject setting verdict evidence overridden_by "
        "overridden_why".split(),
        beside="frame grade extinction_mag extinction_from".split(),
    ),
    "worth": Listing(
        "runlog.worth/1",
        "fingerprint path night taken_at_utc target filter rig exposure_s grade faults light "
        "half_rule depth_change star_depth_change width_change depth_change_best "
        "star_depth_change_best width_change_best advice why".split(),
        beside=["pictures"],
    ),
    "dither": Listing(
        "runlog.dither/1",
        "target filter rig frames left_out fwhm_px p_x p_y even places most_on_one trails "
        "crossed_share text".split(),
    ),
    "losses": Listing(
        "runlog.losses/1",
        "cause what whose frames lost_s gained_s cure_s share".split(),
        beside=["budget", "refocusing"],
    ),
    "sublength": Listing(
        "runlog.sublength/1",
        "rig filter setting frames usual_s best_s low_s high_s too_short too_long usual_share "
        "swamp_s clip_s clipped_stars sky_e_s read_noise_e read_noise_from overhead_s spoilt_a_h "
        "spoilt_frames spell_frames open_shutter_s spoiling text why".split(),
    ),
    "roots": Listing("runlog.roots/1", "name path missing files scanned_at_utc machines".split()),
    "check": Listing("runlog.check/1", "about well text cure".split()),
    "watch": Listing(
        "runlog.watch/1",
        "at_utc kind path rig grade faults first_look cause since_utc frames latency_s "
        "text".split(),
        stream=True,
    ),
    "club": Listing("runlog.club/1", "login role rigs known".split()),
}


def _json_kinds(annotation: Any) -> Kinds:
    """Give the JSON types of a Python annotation."""
    if get_origin(annotation) in (Union, UnionType):
        return tuple(dict.fromkeys(k for part in get_args(annotation) for k in _json_kinds(part)))
    if annotation is NoneType:
        return NULL
    plain = {bool: BOOLEAN, int: COUNT, float: NUMBER, datetime: STRING}
    if annotation in plain:
        return plain[annotation]
    if get_origin(annotation) is tuple:
        return LIST
    return STRING if isinstance(annotation, type) and issubclass(annotation, str) else OBJECT


def _of_frame() -> Mapping[str, Kinds]:
    """Read the types of a frame's values off its parts; what a row does not have is null."""
    found: dict[str, Kinds] = {}
    for part in get_type_hints(Frame).values():
        hints = get_type_hints(part)
        found |= {f.name: _json_kinds(hints[f.name]) for f in fields(part)}
    return {key: (*kinds, "null") if "null" not in kinds else kinds for key, kinds in found.items()}


def _spelt(kinds: Kinds, keys: str) -> dict[str, Kinds]:
    return dict.fromkeys(keys.split(), kinds)


# What no field of a frame is named like, or what is of another type where it is published.
KINDS: Mapping[str, Kinds] = {
    **_of_frame(),
    **_spelt((*STRING, *NULL), "path fingerprint error rig action subject object night_from text"),
    **_spelt((*STRING, *NULL), "who at_utc selection setting name cure mosaic panel what"),
    **_spelt((*STRING, *NULL), "effective_note goal_form first_night last_night verdict evidence"),
    **_spelt((*STRING, *NULL), "fault overridden_by overridden_why frame extinction_from last"),
    **_spelt((*STRING, *NULL), "dark_start_utc dark_end_utc first_utc last_utc scanned_at_utc"),
    **_spelt((*STRING, *NULL), "first start_utc end_utc kind worst_panel judged_since"),
    **_spelt((*STRING, *NULL), "first_look cause since_utc"),
    **_spelt((*NUMBER, *NULL), "latency_s"),
    **_spelt((*NUMBER, *NULL), "logged_s kept_s doubtful_s rejected_s ungraded_s goal_s to_go_s"),
    **_spelt((*NUMBER, *NULL), "share_kept gain_next_hour credited_s kept_so_far_s progress"),
    **_spelt((*NUMBER, *NULL), "effective_so_far_s open_shutter_s elapsed_s overhead_median_s"),
    **_spelt((*NUMBER, *NULL), "usual_night_s depth_share weight doubtful reject cost_s"),
    **_spelt((*NUMBER, *NULL), "extinction_mag nights_needed nights_few nights_many gradient_pct"),
    **_spelt((*NUMBER, *NULL), "fwhm_arcsec effective_s"),
    **_spelt((*NUMBER, *NULL), "light half_rule depth_change width_change depth_change_best"),
    **_spelt((*NUMBER, *NULL), "width_change_best star_depth_change star_depth_change_best"),
    **_spelt((*STRING, *NULL), "advice why cause whose"),
    **_spelt((*NUMBER, *NULL), "lost_s gained_s cure_s share usual_s best_s low_s high_s"),
    **_spelt((*NUMBER, *NULL), "usual_share swamp_s clip_s sky_e_s overhead_s spoilt_a_h"),
    **_spelt((*STRING, *NULL), "too_short too_long read_noise_from spoiling"),
    **_spelt((*COUNT, *NULL), "spoilt_frames spell_frames"),
    **_spelt(OBJECT, "budget"),
    **_spelt((*NUMBER, *NULL), "p_x p_y crossed_share"),
    **_spelt((*COUNT, *NULL), "left_out places most_on_one trails"),
    **_spelt((*BOOLEAN, *NULL), "even"),
    **_spelt((*STRING, *NULL), "date_20 date_50 date_80 season_end chances"),
    **_spelt((*NUMBER, *NULL), "not_this_season"),
    **_spelt(LIST, "pictures refocusing"),
    **_spelt((*COUNT, *NULL), "frames frames_to_go nights priority id undoes files binning panels"),
    **_spelt((*COUNT, *NULL), "record_nights"),
    **_spelt((*BOOLEAN, *NULL), "missing done stands changed well"),
    **_spelt((*LIST, *NULL), "paths faults questions corrected streaks noted to_check events"),
    **_spelt((*LIST, *NULL), "added spellings size origin notes mosaics to_go judged rigs"),
    **_spelt(STRING, "about of title headline"),
    **_spelt(LIST, "figures blocks"),
    **_spelt(OBJECT, "made"),
    **_spelt(STRING, "login role"),
    **_spelt(LIST, "rigs"),
    **_spelt(BOOLEAN, "known"),
    **_spelt(OBJECT, "counts lost dark_lost verdicts machines darks flats flat_darks bias pace"),
    **_spelt((*OBJECT, *NULL), "evidence field level second_opinion says"),
}
# Where a key of a listing is of another type than elsewhere.
OWN_KINDS: Mapping[tuple[str, str], Kinds] = {
    ("check", "about"): (*STRING, *NULL),
    ("calibration", "binning"): LIST,
    ("calibration", "nights"): LIST,
    ("calibration", "missing"): LIST,
    ("calibration", "doubts"): LIST,
    ("explain", "evidence"): STRING,
    ("explain", "value"): (*NUMBER, *NULL),
    ("policy", "value"): (*NUMBER, *BOOLEAN, *NULL),
    ("sublength", "clipped_stars"): (*NUMBER, *NULL),
    ("corrections", "field"): STRING,
    ("corrections", "value"): (*STRING, *NUMBER, *NULL),
}


def kinds_of(listing: str, key: str) -> Kinds:
    """Tell of which JSON types a key of a listing may be."""
    return OWN_KINDS.get((listing, key)) or KINDS[key]
