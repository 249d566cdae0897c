"""A drawn frame becomes a FITS file with the header a capture program would write."""

from __future__ import annotations

import json
import math
import shutil
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from .draw import Drawn, draw, star_shape
from .shot import CardValue, Shot

SOFTWARE = "Hollow Hill capture script 4"


@dataclass(frozen=True, slots=True)
class Truth:
    """What one file was drawn with; None where it does not apply.

    `faults` are words of the grading's own list, given by rule: trailed (trail over 3 px),
    doubled, defocused (blur disc over 1.2 core widths), soft (seeing over 1.35 times the
    night's), cloud (over 15 % of the light gone), bright-sky (moonlight or twilight over 1.5
    times the dark sky), streak, unreadable.
    """

    path: Path
    kind: str
    start_utc: datetime
    exposure_s: float
    target: str | None = None  # catalogue name, however the header spells it
    filter: str | None = None  # L, R, G, B, Ha, however the header spells it
    fwhm_px: float | None = None  # pixel-integrated, average over the field, as binned
    axis_ratio: float | None = None
    angle_deg: float | None = None  # long axis, from +x towards +y, 0 to 180
    transparency: float | None = None  # what cloud leaves, airmass taken out
    throughput: float | None = None  # cloud and airmass together
    sky_adu: float | None = None  # sky light alone
    background_adu: float | None = None  # with pedestal, dark current and glow
    noise_adu: float | None = None
    shift_x_px: float | None = None  # target against the frame's centre
    shift_y_px: float | None = None
    rotation_deg: float | None = None
    airmass: float | None = None
    altitude_deg: float | None = None
    moon_alt_deg: float | None = None
    moon_sep_deg: float | None = None
    sun_alt_deg: float | None = None
    streaks: tuple[tuple[float, float, float, float], ...] = ()
    faults: tuple[str, ...] = ()
    copy_of: Path | None = None


def _sexagesimal(value: float, signed: bool) -> str:
    """Write degrees or hours as three numbers with spaces."""
    total = round(abs(value) * 3600.0)
    sign = ("-" if value < 0 else "+") if signed else ""
    return f"{sign}{total // 3600:02d} {total // 60 % 60:02d} {total % 60:02d}"


def _camera_cards(shot: Shot) -> dict[str, CardValue]:
    camera, telescope, size = shot.rig.camera, shot.rig.telescope, shot.rig.camera.pixel_um
    return {
        "INSTRUME": camera.name,
        "XBINNING": shot.binning,
        "YBINNING": shot.binning,
        "XPIXSZ": size * shot.binning,  # SBFITSEXT: binning included
        "YPIXSZ": size * shot.binning,
        "GAIN": camera.gain,
        "OFFSET": camera.offset,
        "EGAIN": camera.egain_e_adu,
        "SET-TEMP": camera.set_c,
        "CCD-TEMP": round(shot.sensor_c, 1),
        "READOUTM": "Normal",
        "TELESCOP": telescope.name,
        "FOCALLEN": telescope.focal_mm,
        "APTDIA": telescope.aperture_mm,
        "FOCPOS": shot.focus_steps,
        "FOCTEMP": round(shot.air_c, 1),
        "AMBTEMP": round(shot.air_c - 0.3, 1),
    }


def _site_cards(shot: Shot) -> dict[str, CardValue]:
    site = shot.rig.site
    return {
        "OBSERVER": "Hollow Hill",
        "SITENAME": site.name,
        "SITELAT": _sexagesimal(site.latitude_deg, True),
        "SITELONG": _sexagesimal(site.longitude_deg, True),
        "SITEELEV": site.elevation_m,
    }


def _sky_cards(shot: Shot) -> dict[str, CardValue]:
    """Give the cards of a frame that looks at the sky."""
    if shot.pointing is None or shot.at is None:
        return {}
    ra, dec = shot.pointing.ra_deg, shot.pointing.dec_deg
    return {
        "OBJECT": shot.target_written,
        "OBJCTRA": _sexagesimal(ra / 15.0, False),
        "OBJCTDEC": _sexagesimal(dec, True),
        "RA": round(ra, 5),
        "DEC": round(dec, 5),
        "EQUINOX": 2000.0,
        "OBJCTALT": round(shot.at.altitude_deg, 3),
        "OBJCTAZ": round(shot.at.azimuth_deg, 3),
        "AIRMASS": round(shot.at.airmass, 4),
        "PIERSIDE": shot.pier_side,
    }


COMMENTS = {
    "IMAGETYP": "type of frame",
    "EXPTIME": "[s] exposure time",
    "DATE-OBS": "UTC start of exposure",
    "XPIXSZ": "[um] pixel width, binning included",
    "YPIXSZ": "[um] pixel height, binning included",
    "EGAIN": "[e/ADU]",
    "SET-TEMP": "[degC] sensor, wanted",
    "CCD-TEMP": "[degC] sensor",
    "FOCALLEN": "[mm]",
    "APTDIA": "[mm]",
    "FOCPOS": "[step] focuser",
    "FOCTEMP": "[degC] focuser",
    "AMBTEMP": "[degC] air",
    "SITELAT": "[deg] north positive",
    "SITELONG": "[deg] east positive",
    "SITEELEV": "[m]",
    "OBJCTRA": "[h m s] where the mount points",
    "OBJCTDEC": "[d m s] where the mount points",
    "RA": "[deg] where the mount points",
    "DEC": "[deg] where the mount points",
    "PIERSIDE": "side of the pier the telescope stands on",
}


def header_cards(shot: Shot) -> dict[str, CardValue]:
    """List the cards of a frame in the order they are written."""
    cards: dict[str, CardValue] = {
        "IMAGETYP": shot.image_type,
        "EXPTIME": shot.exposure_s,
        "DATE-OBS": shot.start_utc.replace(tzinfo=None).isoformat(timespec="milliseconds"),
        "FILTER": shot.filter_written,
    }
    cards |= _sky_cards(shot) | _camera_cards(shot) | _site_cards(shot)
    cards |= {"SWCREATE": SOFTWARE, "SBSTDVER": "SBFITSEXT Version 1.0"}
    cards |= dict(shot.cards)
    return {key: value for key, value in cards.items() if value is not None}


def header(shot: Shot) -> fits.Header:
    """Build the header of a frame."""
    result = fits.Header()
    for key, value in header_cards(shot).items():
        result[key] = (value, COMMENTS.get(key, ""))
    return result


def write_fits(path: Path, pixels: NDArray[np.generic], cards: fits.Header) -> None:
    """Write one image; a name that ends in .fz is Rice-compressed."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix == ".fz":
        image = fits.CompImageHDU(pixels, cards, compression_type="RICE_1")
        fits.HDUList([fits.PrimaryHDU(), image]).writeto(path, overwrite=True)
    else:
        fits.PrimaryHDU(pixels, cards).writeto(path, overwrite=True)


def truth_of(shot: Shot, path: Path, drawn: Drawn) -> Truth:
    """Say what a frame was drawn with."""
    scene, at, shape = shot.scene, shot.at, star_shape(shot)
    return Truth(
        path=path,
        kind=shot.kind,
        start_utc=shot.start_utc,
        exposure_s=shot.exposure_s,
        target=scene.target.key if scene else None,
        filter=shot.band.key if shot.band else None,
        fwhm_px=shape[0] if shape else None,
        axis_ratio=shape[1] if shape else None,
        angle_deg=shape[2] if shape else None,
        transparency=scene.transparency if scene else None,
        throughput=scene.transparency * scene.extinction if scene else None,
        sky_adu=drawn.sky_adu if scene else None,
        background_adu=drawn.background_adu,
        noise_adu=drawn.noise_adu,
        shift_x_px=scene.place.shift_x_px if scene else None,
        shift_y_px=scene.place.shift_y_px if scene else None,
        rotation_deg=scene.place.rotation_deg if scene else None,
        airmass=at.airmass if at else None,
        altitude_deg=at.altitude_deg if at else None,
        moon_alt_deg=at.moon_alt_deg if at else None,
        moon_sep_deg=at.moon_sep_deg if at else None,
        sun_alt_deg=at.sun_alt_deg if at else None,
        streaks=scene.streaks if scene else (),
        faults=shot.faults,
    )


def make_frame(folder: str, shot: Shot) -> Truth:
    """Draw and write one frame; runs in a worker."""
    path = Path(folder, *shot.path.split("/"))
    drawn = draw(shot)
    write_fits(path, drawn.pixels, header(shot))
    return truth_of(shot, path, drawn)


def copy_frame(folder: Path, original: Truth) -> Truth:
    """Put a second copy of a frame into a folder of backups."""
    path = folder / "backup" / original.path.name
    path.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy2(original.path, path)
    values = {name: getattr(original, name) for name in Truth.__dataclass_fields__}
    return Truth(**(values | {"path": path, "copy_of": original.path}))


def write_damaged(folder: Path, shot: Shot) -> list[Truth]:
    """Write a frame cut off in the middle and a text that only bears the name of one."""
    damaged = folder / "damaged"
    whole = damaged / "M33_L_300s_0099.fits"
    write_fits(whole, draw(shot).pixels, header(shot))
    with whole.open("r+b") as file:
        file.truncate(math.ceil(whole.stat().st_size * 0.3))
    text = damaged / "notes.fits"
    text.write_text("Windy after two. Look at the counterweight tomorrow.\n", encoding="utf-8")
    made = [(whole, shot.exposure_s), (text, 0.0)]
    return [Truth(path, "light", shot.start_utc, s, faults=("unreadable",)) for path, s in made]


def _plain(value: object) -> object:
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    return str(value)


def write_truths(path: Path, truths: list[Truth]) -> None:
    """Write what was drawn as a JSON list, paths relative to the file's folder."""
    rows = []
    for truth in truths:
        row = asdict(truth)
        row["path"] = truth.path.relative_to(path.parent).as_posix()
        if truth.copy_of is not None:
            row["copy_of"] = truth.copy_of.relative_to(path.parent).as_posix()
        rows.append(row)
    path.write_text(json.dumps(rows, indent=1, default=_plain) + "\n", encoding="utf-8")
