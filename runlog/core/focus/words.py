"""What `runlog focus` says: a sentence a row."""

from collections.abc import Mapping
from typing import Any

from runlog.core.times import clock, zone_label

Row = Mapping[str, Any]
THERMOMETERS = {"focuser": "at the focuser", "air": "of the air"}


def heading(row: Row) -> str:
    """Name a sweep: night, time, filter, temperature."""
    began = row["at_utc"]
    said = [f"Night of {row['night']}, {clock(began)}{zone_label(began)}", str(row["filter"])]
    if row["temperature_c"] is not None:
        said.append(f"{row['temperature_c']:.1f} C {THERMOMETERS[row['temperature_from']]}")
    else:
        said.append("temperature unknown, because no header tells it")
    if row["approach"]:
        said.append(f"positions {row['approach']}")
    return ", ".join(said)


def sweep(row: Row) -> str:
    """Say where a sweep found the focus, or why it found none."""
    if row["best_pos"] is None:
        return f"Best position unknown, because {row['reason']}."
    return (
        f"Best position {row['best_pos']:.0f} +- {row['best_pos_err']:.0f} (95 %, "
        f"{row['positions']} positions), FWHM {row['best_fwhm_px']:.2f} px there; stars at most "
        f"5 % wider within {row['half_range_steps']:.0f} steps to each side."
    )


def slope(row: Row) -> str:
    """Say how the focus moves with temperature."""
    if row["slope_per_c"] is None:
        return f"Slope over temperature: unknown, because {row['reason']}."
    span = (
        f"{row['slope_per_c']:+.1f} steps a degree (95 %: {row['slope_low']:+.1f} to "
        f"{row['slope_high']:+.1f}; {row['sweeps']} sweeps over {row['span_c']:.1f} C, "
        f"{THERMOMETERS[row['temperature_from']]})"
    )
    shown = row["verdict"] == "found"
    return f"Slope over temperature: {span}." if shown else f"No slope is shown: {span}."


def offset(row: Row) -> str:
    """Say how far a filter's focus lies from another's."""
    name, other = row["filter"], row["against"]
    if row["offset_steps"] is None:
        return f"{name} against {other}: unknown, because {row['reason']}."
    if row["offset_from"] == "frames":
        return (
            f"{name} on {row['night']}: out of focus by about {row['offset_steps']:.0f} steps by "
            f"its frames' width against {other}, side unknown: {row['reason']}."
        )
    said = (
        f"{name} against {other}: {row['offset_steps']:+.0f} +- {row['offset_err']:.0f} steps "
        f"(95 %), from sweeps"
    )
    return f"{said}; {row['reason']}." if row["reason"] else f"{said}."


def advice(row: Row) -> str:
    """Say after how many degrees to focus again."""
    if row["refocus_each_c"] is None:
        return f"When to refocus by temperature: unknown, because {row['reason']}."
    return (
        f"Refocus every {row['refocus_each_c']:.1f} C ({row['refocus_low_c']:.1f} to "
        f"{row['refocus_high_c']:.1f}): by then the focus has moved {row['half_range_steps']:.0f} "
        "steps, and stars are 5 % wider."
    )


def zone(row: Row) -> str:
    """Say how exactly diffraction wants the focus met."""
    if row["zone_um"] is None:
        return f"Quarter-wave zone in {row['filter']}: unknown, because {row['reason']}."
    said = f"Quarter-wave zone in {row['filter']}: +-{row['zone_um']:.1f} um ({row['zone_rule']})"
    if row["zone_steps_low"] is None:
        return f"{said}; in steps unknown, because no sweep or header tells how far one step goes."
    return (
        f"{said}, about {row['zone_steps_low']:.1f} to {row['zone_steps_high']:.1f} steps by how "
        "fast stars widen in the sweeps (the aperture half obstructed, or not at all)."
    )


SAID = {"sweep": sweep, "slope": slope, "offset": offset, "advice": advice, "zone": zone}


def sentence(row: Row) -> str:
    """Say any row."""
    return SAID[row["kind"]](row)
