"""Label, unit and format of every value shown; every screen, page and table reads them here."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any, get_type_hints

from runlog.core.described import SHOWN
from runlog.core.frame import Frame
from runlog.core.moments import MOMENTS

Show = Callable[[Any], str]
NOTHING = "–"


@dataclass(frozen=True, slots=True)
class Column:
    """How one value is named and written for people."""

    label: str
    show: Show = str
    right: bool = False  # numbers line up on the right


def _number(digits: int) -> Show:
    return lambda value: f"{value:.{digits}f}"


SECONDS_BELOW = 600  # of longer times seconds are no news


def exposure(seconds: float) -> str:
    """Write the length of an exposure: 300 s, 0.5 s."""
    return f"{seconds:g} s"


def hours(seconds: float) -> str:
    """Write a length of time as people say it: 5 h 55 min, 12 min, 2 min 10 s, 40 s, 0.2 s.

    Exposures are in seconds throughout (`exposure`).
    """
    if 0.05 <= seconds < 0.95:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < SECONDS_BELOW and whole % 60:
        return f"{whole // 60} min {whole % 60} s"
    minutes = round(whole / 60)
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def plural(count: int, noun: str) -> str:
    """Count things: 1 frame, 2 frames, 1,200 frames."""
    return f"{count:,} {noun}{'s' * (count != 1)}"


def moment(value: datetime) -> str:
    """Write a UTC moment in ISO 8601 with Z, to the millisecond only where there is one."""
    naive = value.replace(tzinfo=None)
    text = naive.isoformat(timespec="milliseconds" if naive.microsecond else "seconds")
    return f"{text}Z"


def share(value: float) -> str:
    """Write a share as a percentage."""
    return f"{value:.0%}"


def change(value: float) -> str:
    """Write a change as a percentage with its sign, to a tenth of a percent."""
    said = f"{100 * value:+.1f}"
    return f"{'0.0' if float(said) == 0 else said}%"


def length(seconds: float) -> str:
    """Write a length of exposure as a person would set it: 4.5 s, 93 s, 8 min."""
    if seconds < 10:
        return f"{seconds:.1f} s"
    return f"{seconds:.0f} s" if seconds < 100 else hours(round(seconds / 10) * 10)


def gain(value: float) -> str:
    """Write how many times the signal to noise is then what it is now."""
    return f"{1 + value:.2f} x S/N"


def _of_frames() -> dict[str, Column]:
    """Give the columns of a frame's values, by what its fields say of themselves."""
    found = {}
    for part in get_type_hints(Frame).values():
        for field in fields(part):
            shown = field.metadata.get(SHOWN)
            if shown is not None:
                right = field.type in NUMBERS
                found[field.name] = Column(shown.heading, shown.form.format, right)
    return found


NUMBERS = (int, float, int | None, float | None)
COLUMNS: Mapping[str, Column] = _of_frames() | {
    "taken_at_utc": Column("start", MOMENTS["taken_at_utc"].alone),
    "fwhm_arcsec": Column("FWHM ″", _number(2), True),
    "faults": Column("why", ", ".join),
    "path": Column("file"),
    "key": Column("key"),
    "frames": Column("frames", str, True),
    "logged_s": Column("logged", hours, True),
    "kept_s": Column("kept", hours, True),
    "doubtful_s": Column("doubtful", hours, True),
    "rejected_s": Column("rejected", hours, True),
    "ungraded_s": Column("ungraded", hours, True),
    "effective_s": Column("effective", hours, True),
    "goal_s": Column("goal", hours, True),
    "to_go_s": Column("to go", hours, True),
    "frames_to_go": Column("frames to go", str, True),
    # Beside hours of a part of all nights.
    "to_go_over_all_s": Column("to go (all nights)", hours, True),
    "frames_to_go_over_all": Column("frames to go (all nights)", str, True),
    # Beside hours of some rigs.
    "to_go_over_all_rigs_s": Column("to go (all nights and rigs)", hours, True),
    "frames_to_go_over_all_rigs": Column("frames to go (all nights and rigs)", str, True),
    "gain_next_hour_over_all_rigs": Column("next hour (all nights and rigs)", gain, True),
    "nights": Column("nights", str, True),
    "share_kept": Column("kept of logged", share, True),
    "gain_next_hour": Column("next hour", gain, True),
    "gain_next_hour_over_all": Column("next hour (all nights)", gain, True),
    "credited_s": Column("from dual bands", hours, True),
    "priority": Column("priority", str, True),
    "kept_so_far_s": Column("kept so far", hours, True),
    "nights_needed": Column("nights", str, True),
    "usual_night_s": Column("a usual night", hours, True),
    "record_nights": Column("nights so far", str, True),
    "text": Column("forecast"),
    "panels": Column("panels", str, True),
    "worst_panel": Column("worst panel"),
    "progress": Column("done", share, True),
    "spellings": Column("written as", ", ".join),
    "darks": Column("darks", str, True),
    "flats": Column("flats", str, True),
    "flat_darks": Column("flat-darks", str, True),
    "bias": Column("bias", str, True),
    "missing": Column("missing", "; ".join),
    "notes": Column("to know", "; ".join),
    "fault": Column("fault"),
    "looked_at": Column("looked at"),
    "value": Column("value", str, True),
    "doubtful": Column("doubtful", str, True),
    "reject": Column("reject", str, True),
    "verdict": Column("verdict"),
    "evidence": Column("evidence"),
    "noted": Column("noted", "; ".join),
    "id": Column("no.", str, True),
    "what": Column("what"),
    "who": Column("who"),
    "login": Column("login"),
    "role": Column("role"),
    "rigs": Column("rigs"),
    "at_utc": Column("when", MOMENTS["at_utc"].alone),
    "root": Column("root"),
    "where": Column("on this machine"),
    "files": Column("files", str, True),
    "scanned_at_utc": Column("last scan", MOMENTS["scanned_at_utc"].alone),
    "stands": Column("in force", lambda v: "yes" if v else "no"),
    "selection": Column("chosen by"),
    "series": Column("series"),
    "setting": Column("setting"),
    "course": Column("by date"),
    "runs": Column("nights", str, True),
    "usual": Column("usual", str, True),
    "a_year": Column("a year", str, True),
    # What frames are worth.
    "light": Column("light", _number(2), True),
    "half_rule": Column("even at", _number(2), True),
    "depth_change": Column("depth", change, True),
    "star_depth_change": Column("stars", change, True),
    "width_change": Column("width", change, True),
    "depth_change_best": Column("depth, best weights", change, True),
    "width_change_best": Column("width, best weights", change, True),
    "advice": Column("advice"),
    "cause": Column("cause"),
    "whose": Column("whose"),
    "lost_s": Column("lost", hours, True),
    "gained_s": Column("gained", hours, True),
    "cure_s": Column("cured", hours, True),
    "share": Column("share", share, True),
    "usual_s": Column("yours", length, True),
    "low_s": Column("from", length, True),
    "high_s": Column("to", length, True),
    "best_s": Column("best", length, True),
    "sky_e_s": Column("sky e/px/s", _number(3), True),
    "read_noise_e": Column("read noise e", _number(1), True),
    "overhead_s": Column("between", length, True),
    "spoilt_a_h": Column("spoilt an hour", _number(2), True),
    "clip_s": Column("stars clip from", length, True),
    # Plans.
    "between": Column("when"),
    "why": Column("why"),
    "up_between": Column("up in the dark"),
    "alt_max_deg": Column("highest °", _number(0), True),
    "airmass_min": Column("airmass", _number(2), True),
    "moon_sep_deg": Column("from the Moon °", _number(0), True),
    "worth": Column("worth", _number(2), True),
    "weight": Column("urgency", _number(2), True),
    "frames_fit": Column("frames that fit", str, True),
    "season_end": Column("season until"),
    "dark_s": Column("dark", hours, True),
    "usable_s": Column("up", hours, True),
    "moonless_s": Column("without the Moon", hours, True),
    "rank": Column("rank", str, True),
}


def written(key: str, value: Any) -> str:
    """Write one value for people; a missing one is a dash."""
    return NOTHING if value is None else COLUMNS[key].show(value)
