"""What `runlog alignment` says: some sentences a night."""

from collections.abc import Iterator, Mapping, Sequence
from math import radians
from typing import Any

from runlog.core.alignment.night import FLOOR_ARCMIN, TRAIL_PX, TURNED_DEG
from runlog.core.columns import plural

Row = Mapping[str, Any]
SIDEREAL_ARCSEC_S = 15.041  # how fast the sky turns: 360 degrees in 86,164.1 s
CAUTION = "Before you turn a screw: power off, hold the load, and the maker's manual comes first."


def heading(row: Row) -> str:
    """Name a night and what its axis rests on, where anything tells of it."""
    arc = f", {row['arc_h']:.1f} h of hour angle" if row["arc_h"] else ""
    rests_on = f": {plural(row['frames'], 'frame')}{arc}" if row["frames"] else ""
    return f"Night of {row['night']}{rests_on}"


def sentences(row: Row) -> Iterator[str]:
    """Say how the axis stands, what it costs and what to do."""
    if row["reason"]:
        yield _no_axis(row)
    else:
        yield from _axis(row)
        yield from _guiding(row)
        yield _cost(row)
        yield _advice(row)
        if not row["below_floor"]:
            yield _drift(row)
    if row["camera_turned_deg"] is not None and abs(row["camera_turned_deg"]) >= TURNED_DEG:
        moved = row["camera_turned_px"]
        yield (
            f"The camera stands turned by {row['camera_turned_deg']:+.1f} degrees since "
            f"{row['camera_turned_since']}: in a corner flats of before lie {moved:.0f} px off."
        )


def shared_reasons(rows: Sequence[Row]) -> dict[str, str]:
    """Give the sentences on what is unknown that several nights have, and which nights these are.

    Where they are told once, no night needs to tell them again.
    """
    nights: dict[str, list[str]] = {}
    for row in rows:
        for sentence in _unknown(row):
            nights.setdefault(sentence, []).append(row["night"])
    return {
        sentence: f"All {len(rows)} nights"
        if len(of) == len(rows)
        else f"Nights of {', '.join(of)}"
        for sentence, of in nights.items()
        if len(of) > 1
    }


def _unknown(row: Row) -> Iterator[str]:
    if row["reason"]:
        yield _no_axis(row)
    elif row["guided"] is None:
        yield from _guiding(row)


def _no_axis(row: Row) -> str:
    return f"Polar axis: unknown, because {row['reason']}."


def _axis(row: Row) -> Iterator[str]:
    if row["below_floor"]:
        yield (
            f"Polar axis: within {FLOOR_ARCMIN:g}' of the pole as far as it shows (90 %: "
            f"+- {row['up_err']:.1f}' in altitude, +- {row['east_err']:.1f}' across); below "
            f"{FLOOR_ARCMIN:g}' it is not told from flexure."
        )
        return
    yield (
        f"Polar axis: {row['size_arcmin']:.1f}' +- {row['size_err']:.1f}' from the pole (90 %; "
        "refraction taken out; half of an arc minute of it could be flexure)."
    )
    if row["sense"] == "known":
        up, east = row["up_arcmin"], row["east_arcmin"]
        yield (
            f"It points {abs(up):.1f}' +- {row['up_err']:.1f}' {'above' if up > 0 else 'below'} "
            f"the pole and {abs(east):.1f}' +- {row['east_err']:.1f}' "
            f"{'east' if east > 0 else 'west'} of it, measured on the sky."
        )
    else:
        yield (
            f"In altitude {abs(row['up_arcmin']):.1f}' +- {row['up_err']:.1f}', across "
            f"{abs(row['east_arcmin']):.1f}' +- {row['east_err']:.1f}', but which way is unknown, "
            "because no header tells whether the image is mirrored (--mirrored yes or no says it)."
        )


def _guiding(row: Row) -> Iterator[str]:
    """Say whether the night was guided, and so whether the field's drift was used."""
    north = row["drift_dec_arcsec_h"]
    how = "" if north is None else f' ({north:+.0f}" an hour in declination)'
    if row["guided"]:
        yield f"Guided, by how little the field drifted{how}: drift tells nothing; rotation used."
    elif row["guided"] is False:
        yield f"Not guided, by how steadily the field drifted{how}: drift used beside rotation."
    elif row["drift_reason"]:
        used = "rotation used" if north is not None else "rotation used as of a guided mount"
        yield f"Whether it was guided is unknown, because {row['drift_reason']}; {used}."


def _cost(row: Row) -> str:
    return (
        f"It turns the field so that a corner trails by {row['trail_px']:.2f} px "
        f"({row['trail_low_px']:.2f} to {row['trail_high_px']:.2f}) in {row['exposure_s']:g} s."
    )


def _drift(row: Row) -> str:
    """Say what the field's turn leaves out: the mount turns about its own axis, not the sky's."""
    arcsec_s = SIDEREAL_ARCSEC_S * radians(row["size_arcmin"] / 60)
    return (
        f'Without guiding such an axis lets the field drift by up to {3600 * arcsec_s:.0f}" an '
        f'hour, {row["exposure_s"] * arcsec_s:.1f}" in {row["exposure_s"]:g} s.'
    )


def _advice(row: Row) -> str:
    if row["verdict"] == "leave it":
        return (
            f"For the turn of the field not worth a screwdriver: less than {TRAIL_PX:g} px in the "
            "corners."
        )
    if row["verdict"] == "not sure":
        return f"Whether the corners trail by {TRAIL_PX:g} px is not sure: measure a longer arc."
    if row["sense"] != "known":
        return f"Worth aligning again. {CAUTION}"
    up = "Lower" if row["up_arcmin"] > 0 else "Raise"
    side = "west" if row["east_arcmin"] > 0 else "east"
    return (
        f"Worth aligning again: {up.lower()} the axis by {abs(row['up_arcmin']):.1f}' and move it "
        f"{abs(row['east_arcmin']):.1f}' {side}. {CAUTION}"
    )
