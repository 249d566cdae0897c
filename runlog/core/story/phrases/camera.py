"""The camera and its cooler in words."""

from runlog.core.columns import plural
from runlog.core.story.phrases.common import not_kept, of_frames

READOUT_CHECK = "the camera's data cable, its hub and its power"
READOUT_OR_CAMERA_CHECK = f"{READOUT_CHECK}, or the camera"
NOISE_CHECK = "the sensor's temperature, and power supplies and cables beside the camera"
HOT_CHECK = "the cooler, and whether the darks still fit"
WARM_CHECK = "the cooler's power and the set point: about 40 C under ambient is the most"
COLD_CHECK = "whether the set point was changed, and whether darks of that temperature are there"
STEADY_CHECK = (
    "whether the set point in the headers is the one the cooler had, and whether it could reach it"
)
NO_SET_TEMPERATURE = "the headers give no set temperature"
NO_SENSOR_TEMPERATURE = "the headers do not give the sensor's temperature"
NO_TEMPERATURES = "the headers do not give sensor and set temperature"


def glitches(frames: int, lost_s: float) -> str:
    """Count frames whose read-out went wrong."""
    return f"{plural(frames, 'frame')} with a glitch in the read-out{not_kept(lost_s)}"


def rows_in_doubt(frames: int, of: int, doubt: str) -> str:
    """Quote what stands out about the rows of some frames."""
    where = "the only frame" if of == 1 else f"{plural(frames, 'frame')} of {of}"
    return f"in {where}: {doubt}"


def cooling(evidence: str) -> str:
    """Say beside other findings what it is that is unknown."""
    return f"cooling {evidence}"


def saturated(frames: int) -> str:
    """Count frames with full stars."""
    return f"{plural(frames, 'frame')} with far more saturated stars than usual"


def noisy(frames: int, times: float) -> str:
    """Say how far noise went beyond the sky's."""
    return f"{plural(frames, 'frame')} with up to {times:.1f} times the noise the sky explains"


def hot_pixels(usual_ppm: float) -> str:
    """Say how many hot pixels there usually are."""
    return f"hot pixels {usual_ppm:.0f} in a million"


def hotter(usual_ppm: float, most_ppm: float, frames: int) -> str:
    """Say how many hot pixels there are on frames with far more than usual."""
    return f"{hot_pixels(usual_ppm)}, up to {most_ppm:.0f} on {plural(frames, 'frame')}"


# --- cooling --------------------------------------------------------------------------------


def held(most_c: float) -> str:
    """Say that the cooler held its set point."""
    return f"the sensor stayed within {most_c:.1f} C of its set point"


def steadily_off(off_c: float, frames: int) -> str:
    """Say that the sensor was steady beside the set point; positive is above it."""
    side = "above" if off_c > 0 else "below"
    return (
        f"the sensor was steady, up to {abs(off_c):.1f} C {side} the set point in the headers, on "
        f"all {frames} frames: not reached, or not the one in force"
    )


def off_set_point(off_c: float) -> str:
    """Say how far the sensor was from its set point; positive is warmer."""
    side = "warmer" if off_c > 0 else "colder"
    return f"the sensor was up to {abs(off_c):.1f} C {side} than its set point"


def off_set_point_on(off_c: float, beyond_c: float, hit: int, frames: int) -> str:
    """Say how far the sensor was from its set point, and on how many frames."""
    on = of_frames(hit, frames, "").rstrip()
    return f"{off_set_point(off_c)}, more than {beyond_c:.0f} C on {on}"


def off_set_point_at(sensor_c: float, set_c: float) -> str:
    """Tell a stretch that was warmer, or colder, than asked, by its worst frame."""
    return f"{off_set_point(sensor_c - set_c)}: {sensor_c:.1f} C, set {set_c:.1f} C"
