"""What to do next, from the log: a sentence for a person, never a command to hardware."""

from collections.abc import Callable, Mapping, Sequence
from statistics import median

from runlog.core.frame import FaultName, Frame
from runlog.core.times import clock
from runlog.core.watch.alarms import Alarm, What
from runlog.core.watch.causes import COOLING
from runlog.core.watch.overdue import OVERDUE

THICK = 0.5  # of the light: less is not worth an exposure
SAME_FOCUS_STEPS = 1.0
ENOUGH = 3


def sentence(alarm: Alarm) -> str:
    """Say an alarm in one line, in the zone in force, without the time it is.

    "cloud: 3 frames in a row, light 41 % of usual, since 02:01".
    """
    if alarm.what is What.CLEARED:
        still = f"; still: {', '.join(alarm.still)}" if alarm.still else ""
        return f"{alarm.cause}: clear again since {clock(alarm.since_utc)}{still}"
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
    """Compare the newest width with the narrow ones since the focuser last moved."""
    if not frames:
        return None
    alike = _since_focus(frames)
    widths = [f.measurement.fwhm_px for f in alike if f.measurement.fwhm_px]
    if len(widths) < ENOUGH or len(alike) < ENOUGH:
        return "refocus: the stars are wide and flat; this focus was never sharp, as far as is seen"
    best = min(alike[:-1], key=lambda f: f.measurement.fwhm_px or float("inf"))
    now = frames[-1]
    up = (now.measurement.fwhm_px or 0.0) / (best.measurement.fwhm_px or 1.0) - 1
    if up <= 0:
        return None
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
    light = _light_left(frames)
    if light is None:
        return None
    kind = "thick" if light < THICK else "thin"
    return f"{kind} cloud since {clock(alarm.since_utc)}, light {100 * light:.0f} %"


def _light_left(frames: Sequence[Frame]) -> float | None:
    """Give the newest frame's light against the clearest of its field tonight or before."""
    if not frames:
        return None
    last = frames[-1]
    field = (last.placement.matched_to, last.context.filter)
    lights = sorted(
        f.placement.transparency
        for f in frames
        if (f.placement.matched_to, f.context.filter) == field and f.placement.transparency
    )
    own = last.placement.transparency
    if own is None or len(lights) < ENOUGH or last.placement.matched_to is None:
        return None
    clear = max(median(lights), lights[round(0.9 * (len(lights) - 1))])
    return own / clear


def _fixed(words: str) -> Callable[[Alarm, Sequence[Frame]], str | None]:
    return lambda alarm, frames: words


_SAY: Mapping[str, Callable[[Alarm, Sequence[Frame]], str | None]] = {
    FaultName.DEFOCUSED: _refocus,
    FaultName.SOFT: _seeing,
    FaultName.CLOUD: _cloud,
    FaultName.DEW: _fixed("look for dew: light is lost to halos around the stars"),
    FaultName.FEW_STARS: _fixed("look at the sky and the cover: hardly a star is seen"),
    FaultName.OBSTRUCTED: _fixed("something stands before a side of the frame: dome, roof or tree"),
    FaultName.TRAILED: _fixed(
        "stars trail: guiding, balance, wind or a cable, unknown which; look before the next hour"
    ),
    FaultName.DOUBLED: _fixed("stars stand twice: something knocked or slipped in an exposure"),
    FaultName.OFF_TARGET: _fixed("the target is not where it was: solve and centre again"),
    FaultName.READOUT: _fixed("the camera's readout is broken: look at its cable and power"),
    FaultName.UNREADABLE: _fixed("files cannot be measured: look at the disk and the camera"),
    FaultName.BRIGHT_SKY: _fixed("the sky is bright: a lamp, the Moon or haze, unknown which"),
    COOLING: _fixed("look at the cooler: the sensor does not hold its temperature"),
    OVERDUE: _fixed("look at the mount, the camera and the capture: no frame came"),
}
