"""The sentences about calibration frames that may not be fit for use."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from runlog.core.frame import Kind

if TYPE_CHECKING:
    from runlog.core.calibration.judged import LevelFrame

NAMES = {
    Kind.FLAT: "flats",
    Kind.DARK: "darks",
    Kind.FLAT_DARK: "flat-darks",
    Kind.BIAS: "bias frames",
}
NO_CEILING = (
    "whether they are clipped or too faint is unknown, because neither the header nor the format "
    "says at which level a pixel is full"
)


def of_set(one: "LevelFrame") -> str:
    """Name a set: flats through L, night of 2026-10-09."""
    what = NAMES[one.kind]
    if one.kind is Kind.FLAT:
        what += f" through {one.filter}"
    elif one.kind is not Kind.BIAS and one.exposure_s is not None:
        what += f" of {one.exposure_s:g} s"
    if one.kind is not Kind.FLAT and one.cold_c is not None:
        what += f" at {one.cold_c} C"
    return f"{what}{one.sensor.in_words()}, {one.night or 'undated'}"


def _some(hit: int, of: int) -> str:
    return "all" if hit == of else f"{hit} of {of}"


def clipped(hit: int, of: int, one: "LevelFrame") -> str:
    """Say that flats are full."""
    if one.noise_adu == 0:
        return f"{_some(hit, of)} without any noise at {one.median_adu:.0f} ADU: full"
    top = f"{one.high_adu:.0f} of {one.ceiling_adu:.0f} ADU"
    return f"{_some(hit, of)} clipped, the brightest hundredth at {top}"


def near_full(hit: int, of: int, share: float) -> str:
    """Say that flats come near full."""
    return f"{_some(hit, of)} near full, up to {share:.0%}: few sensors are linear there"


def faint(hit: int, of: int, share: float, grain: float | None, no_zero: bool) -> str:
    """Say that flats hold little light."""
    noise = "" if grain is None else f"; a pixel's noise is {grain:.1%} of its light"
    doubt = "; the level without light is unknown and counted as light" if no_zero else ""
    return f"{_some(hit, of)} faint, down to {share:.1%} of full{noise}{doubt}"


def uneven(low_adu: float, high_adu: float, *, one_way: bool) -> str:
    """Say that the light changed during a set."""
    why = "all the way in one direction, as twilight does" if one_way else "up and down"
    return f"their light goes from {low_adu:.0f} to {high_adu:.0f} ADU, {why}"


def gradient(here: float, usual: float, nights: int) -> str:
    """Say that light falls off over the frame in another way than it did."""
    return (
        f"from the brightest to the faintest ninth of the frame the light falls by {here:.0%}, on "
        f"{nights} other nights by {usual:.0%}: stray light, twilight, or changed optics"
    )


def temperature(hit: Sequence["LevelFrame"]) -> str:
    """Say that frames were warmer or colder than they were to be."""
    worst = max(hit, key=lambda f: abs((f.sensor_c or 0.0) - (f.set_c or 0.0)))
    return (
        f"{len(hit)} not at the temperature they say: set to {worst.set_c:g} C, "
        f"taken at {worst.sensor_c:g} C"
    )


def cut(hit: int, of: int) -> str:
    """Say that the faintest pixels are lost."""
    return (
        f"{_some(hit, of)} cut off at zero, the faintest hundredth lost: the camera's offset is "
        "too low"
    )


def drift(here: float, usual: float, nights: int) -> str:
    """Say that the zero level is not what it was."""
    return f"their level is {here:.0f} ADU, on {nights} other nights {usual:.0f}: it drifts"


def light_within(hit: int, of: int, low_adu: float, high_adu: float) -> str:
    """Say that some of a set are brighter than the others."""
    return (
        f"{_some(hit, of)} brighter than the darkest of the set, up to {high_adu:.0f} against "
        f"{low_adu:.0f} ADU: light got in, or the sensor was not at rest"
    )


def light_beside(here: float, usual: float, nights: int) -> str:
    """Say that a set is brighter than those of other nights."""
    return (
        f"their level is {here:.0f} ADU, on {nights} other nights {usual:.0f}: light got in, or "
        "they were warmer than they say"
    )


def one_side(here: float, usual: float) -> str:
    """Say that a set is brighter on one side."""
    return (
        f"one part of the frame is {here:.0f} ADU brighter than another, on other nights "
        f"{usual:.0f}: light got in"
    )


def below_bias(here: float, zero_adu: float) -> str:
    """Say that darks are darker than no light at all."""
    return (
        f"their level, {here:.0f} ADU, lies below that of the bias frames, {zero_adu:.0f}: one of "
        "the two was taken in another setting than it says, or the level drifts"
    )
