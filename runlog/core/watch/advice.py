"""What to do next, from the log: a sentence for a person, never a command to hardware."""

from collections.abc import Callable, Mapping, Sequence
from math import inf

from runlog.core.frame import FaultName, Frame
from runlog.core.times import clock
from runlog.core.watch.alarms import Alarm, What
from runlog.core.watch.causes import COOLING
from runlog.core.watch.overdue import OVERDUE
from runlog.core.watch.pace import CLOCKS

THICK = 0.5  # of the light: less is not worth an exposure
VEIL = 0.9  # of the light: more is no cloud to speak of
PLAIN = 0.05  # in width: less is seeing
SAME_FOCUS_STEPS = 1.0
ENOUGH = 3


def sentence(alarm: Alarm) -> str:
    """Say an alarm in one line, in the zone in force, without the time it is.

    "cloud: 3 frames in a row, light 41 % of usual, since 02:01".
    """
    if alarm.what is What.CLEARED:
        still = f"; still: {', '.join(alarm.still)}" if alarm.still else ""
        again = _AGAIN.get(alarm.cause, "clear again")
        return f"{alarm.cause}: {again} since {clock(alarm.since_utc)}{still}"
    parts = [_frames(alarm), alarm.words, f"since {clock(alarm.since_utc)}"]
    return f"{alarm.cause}: {', '.join(part for part in parts if part)}"


def _frames(alarm: Alarm) -> str:
    if not alarm.frames:
        return ""
    if alarm.frames == alarm.of:
        return f"{alarm.frames} frames in a row"
    return f"{alarm.frames} of {alarm.of} frames"


def advice(alarm: Alarm, frames: Sequence[Frame]) -> str | None:
    """Say what to do about an alarm, by the lights of the run so far; None where none is known.

    "refocus: FWHM up by 22 % in 1.4 C".
    """
    if alarm.what is What.CLEARED:
        return None
    say = _SAY.get(alarm.cause)
    dated = [f for f in frames if f.header.taken_at_utc is not None]
    dated.sort(key=lambda f: (f.header.taken_at_utc, f.key))
    return say(alarm, dated) if say else None


# --- by cause -------------------------------------------------------------------------------


def _refocus(alarm: Alarm, frames: Sequence[Frame]) -> str | None:
    """Compare the newest width with the narrowest since the focuser last moved."""
    wide = [f for f in frames if f.measurement.fwhm_px]
    alike = _since_focus(wide) if wide else []
    if len(alike) < ENOUGH:
        return "refocus: when this focus was sharp is not known"
    now, best = alike[-1], min(alike, key=lambda f: f.measurement.fwhm_px or inf)
    up = (now.measurement.fwhm_px or 0.0) / (best.measurement.fwhm_px or inf) - 1
    if up < PLAIN:
        return f"refocus: no frame since {_at(alike[0])} was sharper"
    return f"refocus: FWHM up by {100 * up:.0f} %{_cooled(best, now)}"


def _since_focus(frames: Sequence[Frame]) -> list[Frame]:
    """List the frames in the newest's filter since its focuser last moved, oldest first."""
    last, alike = frames[-1], []
    for frame in reversed(frames):
        if frame.context.filter != last.context.filter:
            continue
        if _moved(frame, last):
            break
        if frame.measurement.fwhm_px:
            alike.append(frame)
    return alike[::-1]


def _moved(one: Frame, other: Frame) -> bool:
    a, b = one.header.focus_pos, other.header.focus_pos
    return a is not None and b is not None and abs(a - b) >= SAME_FOCUS_STEPS


def _cooled(before: Frame, now: Frame) -> str:
    a, b = before.header.focus_c, now.header.focus_c
    if a is None or b is None:
        a, b = before.header.ambient_c, now.header.ambient_c
    if a is None or b is None or abs(a - b) < 0.1:
        return f" since {_at(before)}"
    return f" in {abs(b - a):.1f} C"


def _at(frame: Frame) -> str:
    return clock(frame.header.taken_at_utc) if frame.header.taken_at_utc else "then"


def _seeing(alarm: Alarm, frames: Sequence[Frame]) -> str | None:
    return "wider stars of the same profile: seeing or haze; a focus run will hardly mend it"


def _cloud(alarm: Alarm, frames: Sequence[Frame]) -> str | None:
    if alarm.light is None:
        return "look at the sky: how thick it is, the frames cannot tell"
    if alarm.light >= VEIL:
        return None
    since = f"cloud since {clock(alarm.since_utc)}, light {100 * alarm.light:.0f} %"
    if alarm.light < THICK:
        return f"thick {since}: what is taken meanwhile is lost; close up if it may rain"
    return f"thin {since}: what is taken meanwhile is worth less"


def _fixed(words: str) -> Callable[[Alarm, Sequence[Frame]], str | None]:
    return lambda alarm, frames: words


# Other words than "clear again", by cause.
_AGAIN: Mapping[str, str] = {
    OVERDUE: "frames come again",
    CLOCKS: "frames arrive when they should again",
    COOLING: "the sensor holds its temperature again",
    FaultName.UNREADABLE: "files can be measured again",
}
_SAY: Mapping[str, Callable[[Alarm, Sequence[Frame]], str | None]] = {
    FaultName.DEFOCUSED: _refocus,
    FaultName.SOFT: _seeing,
    FaultName.CLOUD: _cloud,
    FaultName.DEW: _fixed("look for dew: light is lost to halos around the stars"),
    FaultName.FEW_STARS: _fixed("look at the sky and the cover: far too few stars are seen"),
    FaultName.OBSTRUCTED: _fixed("look at dome, roof and trees: a side of the frame is covered"),
    FaultName.TRAILED: _fixed(
        "look at guiding, balance and cables: stars trail, by these or by wind, unknown which"
    ),
    FaultName.DOUBLED: _fixed(
        "look at mount and cables: stars stand twice, something knocked or slipped in an exposure"
    ),
    FaultName.OFF_TARGET: _fixed("the target is not where it was: solve and centre again"),
    FaultName.READOUT: _fixed("the camera's readout is broken: look at its cable and power"),
    FaultName.UNREADABLE: _fixed("files cannot be measured: look at the disk and the camera"),
    FaultName.BRIGHT_SKY: _fixed(
        "look for a lamp: the sky is bright, by that, the Moon or haze, unknown which"
    ),
    CLOCKS: _fixed("set the clocks, or look at how files get here"),
    COOLING: _fixed("look at the cooler: the sensor does not hold its temperature"),
    OVERDUE: _fixed("look at the mount, the camera and the capture: no frame came"),
}
