"""What months of a rig say of one night, in words."""

from runlog.core.columns import plural


def grew(what: str, size: float, since: str, of: str, after: str | None) -> str:
    """Say that a share of stars' width grew at once."""
    why = f", after: {after}" if after else ""
    return f"{what} grew by {size:.0%} of the width since {since}{why} ({of})"


def grows(what: str, a_year: float, of: str) -> str:
    """Say that a share of stars' width grows steadily."""
    return f"{what} grows by {a_year:.0%} of the width a year ({of})"


def of_series(name: str, nights: int) -> str:
    """Name the filter and the nights a series rests on."""
    return f"{name}, {plural(nights, 'night')}"


def look_at(what: str, since: str | None) -> str:
    """Say where to look for what changed the field."""
    touched = f", and what was touched about {since}" if since else ""
    return f"what holds camera and corrector: {what} moves{touched}"


def sky(darker_mag: float, name: str, nights: int) -> str:
    """Set a moonless sky beside earlier ones."""
    how = "darker" if darker_mag > 0 else "brighter"
    usual = f"your usual moonless night ({name}, {plural(nights, 'night')})"
    return f"{abs(darker_mag):.1f} mag {how} than {usual}"


def refocus(each_c: float, low_c: float, high_c: float) -> str:
    """Say after how many degrees to focus again: a thing to do before the next night."""
    return (
        f"next time refocus every {each_c:.1f} C ({low_c:.1f} to {high_c:.1f} by your sweeps), and "
        "see that the focuser does not slip"
    )


def went(span_c: float, each_c: float) -> str:
    """Set the night's temperatures beside the zone that the focus stays in."""
    return (
        f"the temperature went over {span_c:.1f} C, and by your sweeps the focus holds for "
        f"{each_c:.1f} C"
    )


def axis(size_arcmin: float, err_arcmin: float, trail_px: float, exposure_s: float) -> str:
    """Say what the polar axis costs."""
    return (
        f"the polar axis is {size_arcmin:.1f}' +- {err_arcmin:.1f}' off and trails the corners by "
        f"{trail_px:.1f} px in {exposure_s:g} s"
    )


AXIS_CHECK = "the polar axis (runlog alignment)"
