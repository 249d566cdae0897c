"""Headers as observatories and capture programs write them, and what each means.

The headers are made up here in the manner of the source named beside each. Plate scales are checked
against `astropy.wcs.utils.proj_plane_pixel_scales`, which computes them another way.
"""

import json
import warnings
from dataclasses import dataclass, field

import pytest
from astropy.io import fits
from astropy.wcs import WCS
from astropy.wcs.utils import proj_plane_pixel_scales

from runlog.core.corrections.correction import Field, corrected_header
from runlog.core.frame import Kind
from runlog.core.header.names_in_words import (
    filter_in_file_name,
    target_in_file_name,
    without_own_filter,
)
from runlog.core.targets.names import TargetNames
from tests.core.header.test_parse import codes_of, header_of

TAN = {"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN"}


def square(degrees):
    """Give the cards of a matrix without rotation."""
    return {"CD1_1": -degrees, "CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": degrees}


@dataclass
class Dialect:
    """One header, and what it says: kind, filter, target, arc seconds a stored pixel."""

    source: str
    cards: dict
    kind: Kind = Kind.LIGHT
    filter: str | None = None
    target: str = "(no name)"
    scale: float | None = None
    path: tuple = ()
    asked: set = field(default_factory=set)  # of the codes that are about these four


ESO = "ESO Data Interface Control Document, from memory"
NOAO = "NOAO FITS Keyword Dictionary 1.0, from memory"
SBFITS = "SBFITSEXT 1.0, from memory"
SURVEY = "headers of a survey camera's community pipeline, from memory"
ROBOTIC = "headers of a network of robotic telescopes, from memory"
SUBARU = "FITS dictionary of an 8 m telescope on Mauna Kea, from memory"
PRACTICE = "common practice, no source"


def dpr(category, kind, technique, **more):
    """Give the cards of an ESO frame."""
    cards = {"ESO DPR CATG": category, "ESO DPR TYPE": kind, "ESO DPR TECH": technique}
    return {"INSTRUME": "Imager", "EXPTIME": 60.0} | cards | more


DIALECTS = [
    # --- ESO ---------------------------------------------------------------------------------
    Dialect(ESO, dpr("SCIENCE", "OBJECT", "IMAGE", OBJECT="Q1010-0100",
                     **{"ESO INS FILT1 NAME": "g#782", "ESO INS GRIS1 NAME": "Free"},
                     **TAN, **square(6.688889e-05), CDELT1=2.0, CDELT2=2.0),
            filter="g'", target="Q1010-0100", scale=0.2408),
    Dialect(ESO, dpr("SCIENCE", "OBJECT", "IMAGE,JITTER", IMAGETYP="OBJECT", FILTER1="open",
                     FILTER2="NB_2.25", OBJECT="PSR-J1740-3052", **TAN,
                     **{"ESO INS GRAT NAME": "MR"}, CD1_1=4.12222e-05, CD2_2=-4.12222e-05),
            filter="NB_2.25", target="PSR-J1740-3052", scale=0.148400),
    Dialect(ESO, dpr("SCIENCE", "OBJECT", "SPECTRUM", OBJECT="HD 49798"), Kind.OTHER,
            target="HD 49798"),
    Dialect(ESO, dpr("SCIENCE", "OBJECT", "ECHELLE", OBJECT="HD 49798"), Kind.OTHER,
            target="HD 49798"),
    Dialect(ESO, dpr("SCIENCE", "OBJECT", "MOS", OBJECT="Field 3"), Kind.OTHER, target="Field 3"),
    Dialect(ESO, dpr("SCIENCE", "SKY", "IMAGE", OBJECT="SKY"), Kind.OTHER, target="SKY"),
    Dialect(ESO, dpr("CALIB", "DARK", "IMAGE", OBJECT="DARK"), Kind.DARK, target="DARK"),
    Dialect(ESO, dpr("CALIB", "BIAS", "SPECTRUM", OBJECT="BIAS", EXPTIME=0.0), Kind.BIAS,
            target="BIAS"),
    Dialect(ESO, dpr("CALIB", "FLAT,LAMP", "IMAGE", OBJECT="FLAT"), Kind.FLAT, target="FLAT"),
    Dialect(ESO, dpr("CALIB", "FLAT,SKY", "IMAGE", OBJECT="FLAT,SKY"), Kind.FLAT,
            target="FLAT,SKY"),
    Dialect(ESO, dpr("CALIB", "SKY,FLAT", "IMAGE"), Kind.FLAT),
    Dialect(ESO, dpr("CALIB", "LAMP,WAVE", "SPECTRUM"), Kind.OTHER),
    Dialect(ESO, dpr("CALIB", "FLAT,LAMP", "SPECTRUM"), Kind.OTHER),
    Dialect(ESO, dpr("CALIB", "STD", "IMAGE", OBJECT="SA 98", **{"ESO INS FILT1 NAME": "R#642"}),
            filter="Rc", target="SA 98"),
    Dialect(ESO, dpr("ACQUISITION", "OBJECT", "IMAGE", OBJECT="HD 49798"), Kind.FOCUS,
            target="HD 49798"),
    Dialect(ESO, dpr("TECHNICAL", "FOCUS", "IMAGE"), Kind.FOCUS),
    Dialect(ESO, {"ESO PRO CATG": "MASTER_BIAS"}, Kind.STACK),
    # --- observatories in the manner of IRAF and NOAO ----------------------------------------
    Dialect(NOAO, {"OBSTYPE": "dome flat", "FILTER": "V"}, Kind.FLAT, "V"),
    Dialect(NOAO, {"IMAGETYP": "projector flat"}, Kind.FLAT),
    Dialect(NOAO, {"IMAGETYP": "dflat"}, Kind.FLAT),
    Dialect(NOAO, {"OBSTYPE": "twilight"}, Kind.FLAT),
    Dialect(NOAO, {"OBSTYPE": "zero"}, Kind.BIAS),
    Dialect(NOAO, {"OBSTYPE": "comp"}, Kind.OTHER),
    Dialect("an IRAF header of 1987, values as in data-typ codes of the time, from memory",
            {"DATA-TYP": "OBJECT (0)", "OBJECT": "m51  B  600s", "ITIME": 600},
            filter="B", target="M 51", asked={"filter-from-name"}),
    Dialect(NOAO, {"OBSTYPE": "object", "FILTER": "B Harris k1002", "OBJECT": "SA 110",
                   "PIXSCAL1": 0.43, "PIXSCAL2": 0.43},
            filter="Johnson B", target="SA 110", scale=0.43),
    Dialect(NOAO, {"IMAGETYP": "object", "OBSTYPE": "object", "FILTER": "g", "DETSEC": "[1:4,1:4]",
                   "PROPID": "2015A-0801", "OBJECT": "deep2g_ra352_1", "PRODTYPE": "Image",
                   "CTYPE1": "RA---TPV", "CTYPE2": "DEC--TPV",
                   "CD1_1": 0.0001257193583631, "CD1_2": 3.826609120096e-07,
                   "CD2_1": 4.0e-07, "CD2_2": 0.00012575},
            filter="g'", target="deep2g ra352 1", scale=0.45265),
    Dialect(NOAO, {"IMAGETYP": "object", "GRATING": "KPGL3", "OBJECT": "NGC 40"}, Kind.OTHER,
            target="NGC 40"),
    Dialect(NOAO, {"IMAGETYP": "object", "GRISM": "open", "FILTER": "V", "OBJECT": "NGC 40"},
            filter="V", target="NGC 40"),
    Dialect(PRACTICE, {"IMAGETYP": "OBJECT", "GRATING": "<NO GRATING>", "OBJECT": "NGC 40"},
            target="NGC 40"),
    Dialect("Greisen et al. 2006, A&A 446, 747", {"OBJECT": "HD 1", "CTYPE1": "WAVE"}, Kind.OTHER,
            target="HD 1"),
    Dialect(NOAO, {"OBJECT": "HD 1", "CTYPE1": "LINEAR", "CUNIT1": "Angstrom"}, Kind.OTHER,
            target="HD 1"),
    Dialect("headers of a spectrograph and camera on La Palma, from memory",
            {"IMAGETYP": "OBJECT", "ALGRNM": "Grism_#4", "ALFLTNM": "Open", "FAFLTNM": "Open",
             "OBJECT": "SN 2020a"}, Kind.OTHER, target="SN 2020a"),
    Dialect("headers of a spectrograph and camera on La Palma, from memory",
            {"IMAGETYP": "OBJECT", "ALGRNM": "Open (Lyot)", "ALFLTNM": "Open",
             "FBFLTNM": "V_Bes 530_80", "OBJECT": "SN 2020a"}, filter="V", target="SN 2020a"),
    Dialect("headers of a spectrograph and camera on La Palma, from memory",
            {"IMAGETYP": "WAVE,LAMP"}, Kind.OTHER),
    Dialect("a robotic telescope's dark, which names no kind, from memory",
            {"OBJECT": "Dark", "FILTER": "Opaque"}, Kind.DARK, "Opaque", "Dark"),
    # --- surveys -----------------------------------------------------------------------------
    Dialect(SURVEY, {"OBSTYPE": "object", "PRODTYPE": "image", "PROCTYPE": "InstCal",
                     "FILTER": "z DECam SDSS c0004 9260.0 1520.0", "OBJECT": "DECaLS_25440_z",
                     "PIXSCAL1": 0.27, "CTYPE1": "RA---TPV", "CTYPE2": "DEC--TPV",
                     "CD1_1": -1.104488698978e-07, "CD1_2": 7.2852759958e-05,
                     "CD2_1": -7.288270893501e-05, "CD2_2": -1.255065383381e-07},
            filter="z'", target="DECaLS 25440", scale=0.26232),
    Dialect(SURVEY, {"OBSTYPE": "object", "PRODTYPE": "dqmask", "OBJECT": "DECaLS_25440_z"},
            Kind.OTHER, target="DECaLS 25440 z"),
    Dialect(SURVEY, {"OBSTYPE": "object", "PRODTYPE": "wtmap"}, Kind.OTHER),
    Dialect(SURVEY, {"OBSTYPE": "object", "PROCTYPE": "Stacked"}, Kind.STACK),
    Dialect(SURVEY, {"OBSTYPE": "object", "FILTER": "zd DECam k1038", "OBJECT": "MzLS_684979_z"},
            filter="z'", target="MzLS 684979"),
    # --- robotic telescopes ------------------------------------------------------------------
    Dialect(ROBOTIC, {"OBSTYPE": "EXPOSE", "FILTER1": "air", "FILTER2": "w", "FILTER3": "air",
                      "FILTER": "w", "OBJECT": "2021 SO2", "CCDSUM": "2 2", "PIXSCALE": 0.778,
                      **TAN, **square(0.0002161)},
            filter="w", target="2021 SO2", scale=0.77796),
    Dialect(ROBOTIC, {"OBSTYPE": "STANDARD", "FILTER": "I", "FILTERI3": "COUS-IC-180",
                      "OBJECT": "S82_01", "PIXSCALE": 0.389},
            filter="Ic", target="S82 01", scale=0.389),
    Dialect(ROBOTIC, {"OBSTYPE": "EXPOSE", "FILTER": "B", "FILTERI1": "BSSL-B-025",
                      "OBJECT": "S82_02"}, filter="Johnson B", target="S82 02"),
    Dialect(ROBOTIC, {"OBSTYPE": "EXPOSE", "FILTER": "rp", "OBJECT": "M 82"},
            filter="r'", target="M 82"),
    Dialect(ROBOTIC, {"OBSTYPE": "LAMPFLAT"}, Kind.FLAT),
    Dialect(ROBOTIC, {"OBSTYPE": "ARC"}, Kind.OTHER),
    Dialect(ROBOTIC, {"OBSTYPE": "SPECTRUM", "OBJECT": "SN 1"}, Kind.OTHER, target="SN 1"),
    Dialect(ROBOTIC, {"OBSTYPE": "AUTO_FOCUS"}, Kind.FOCUS),
    Dialect("a robotic 6 inch telescope's header, from memory",
            {"OBJECT": "HATP-32", "FILTER": "Clear",
             "IM_SCALE": (5.21, "Image scale in arc-secs/pixel")},
            filter="Clear", target="HATP-32", scale=5.21),
    # --- Mauna Kea ---------------------------------------------------------------------------
    Dialect(SUBARU, {"DATA-TYP": "OBJECT", "FILTER01": "W-S-G+", "OBJECT": "COSMOS"},
            filter="W-S-G+", target="COSMOS"),
    Dialect(SUBARU, {"DATA-TYP": "DOMEFLAT"}, Kind.FLAT),
    Dialect(SUBARU, {"DATA-TYP": "SKYFLAT"}, Kind.FLAT),
    Dialect(SUBARU, {"DATA-TYP": "COMPARISON"}, Kind.OTHER),
    Dialect(SUBARU, {"DATA-TYP": "FOCUSING"}, Kind.FOCUS),
    Dialect(SUBARU, {"DATA-TYP": "STANDARD_STAR", "OBJECT": "SA 95", "FILTER01": "NONE",
                     "FILTER02": "V"}, filter="V", target="SA 95"),
    Dialect(PRACTICE, {"OBSTYPE": "OBJECT", "FILTER1": "open1-6", "FILTER2": "g_G0301",
                       "OBJECT": "M 87"}, filter="g'", target="M 87"),
    Dialect(PRACTICE, {"FILTER1": "CLEAR1L", "FILTER2": "F814W", "OBJECT": "M 87"},
            filter="F814W", target="M 87"),
    # --- amateurs' capture programs ----------------------------------------------------------
    Dialect(SBFITS, {"IMAGETYP": "Light Frame", "FILTER": "r", "OBJECT": "M 31", "XPIXSZ": 3.76,
                     "FOCALLEN": 540.0, "XBINNING": 1},
            filter="R", target="M 31", scale=1.43622),
    Dialect(SBFITS, {"IMAGETYP": "Light Frame", "FILTER": "R", "OBJECT": "M 31", "XPIXSZ": 7.52,
                     "FOCALLEN": 540.0, "XBINNING": 2, "SCALE": (2.8724, "[arcsec/pix] scale")},
            filter="R", target="M 31", scale=2.87243),
    Dialect(SBFITS, {"IMAGETYP": "Light Frame", "FILTER": "g'", "OBJECT": "M 31", "XPIXSZ": 27.0,
                     "FOCALLEN": 7475.0, "XBINNING": 3}, filter="g'", target="M 31", scale=0.74504),
    Dialect(SBFITS, {"IMAGETYP": "Light Frame", "FILTER": "L", "OBJECT": "M 31", "XPIXSZ": 3.76,
                     "FOCALLEN": 540.0, **TAN, **square(1.25 / 3600)},
            filter="L", target="M 31", scale=1.25, asked={"plate-scale"}),
    Dialect(SBFITS, {"IMAGETYP": "Light Frame"}, filter="B", target="M 13",
            path=("M13_blue_0001.fits.gz",), asked={"target-from-name", "filter-from-name"}),
    Dialect(PRACTICE, {}, filter="Ha", target="M 51", path=("m51_Ha_300s_012.fits.bz2",),
            asked={"target-from-name", "filter-from-name"}),
    Dialect(PRACTICE, {}, filter="L", target="NGC 7000",
            path=("NGC7000_L_2x2_-10C_0001.fits.fz",),
            asked={"target-from-name", "filter-from-name"}),
    Dialect(PRACTICE, {"OBJECT": "M 31"}, target="M 31", path=("IMG_0001.fits",),
            asked={"filter-unknown"}),
    Dialect(PRACTICE, {"IMGTYPE": "OBJECT"}, path=("cloudynight_000.fits",),
            asked={"filter-unknown"}),
    Dialect(PRACTICE, {"IMAGETYP": "LIGHT", "OBJECT": "DARK", "FILTER": "L"}, filter="L",
            target="DARK", asked={"kind-target"}),
    Dialect(PRACTICE, {"OBJECT": "DARK", "FILTER": "L"}, Kind.DARK, "L", "DARK"),
    Dialect(PRACTICE, {"OBJECT": "Dark Horse Nebula", "FILTER": "L"}, filter="L",
            target="Dark Horse Nebula"),
    Dialect(PRACTICE, {"OBJECT": "Orion B", "FILTER": "B"}, filter="B", target="Orion B"),
    Dialect(PRACTICE, {"OBJECT": "Home field_Ha", "FILTER": "Ha"}, filter="Ha",
            target="Home field"),
]  # fmt: skip
ABOUT = {
    "kind-unknown", "kind-conflict", "kind-target", "filter-unknown", "filter-from-name",
    "target-from-name", "plate-scale",
}  # fmt: skip


@pytest.mark.parametrize("dialect", DIALECTS, ids=[str(n) for n in range(len(DIALECTS))])
def test_a_dialect_is_read_right(dialect):
    """Guards kind, filter, target and plate scale, and what is asked, in one dialect."""
    header = header_of({"EXPTIME": 60.0} | dialect.cards, path=dialect.path)
    told = (header.kind, header.filter, TargetNames().fold(header.target).name)
    assert told == (dialect.kind, dialect.filter, dialect.target), dialect.source
    assert header.arcsec_per_px == (dialect.scale and pytest.approx(dialect.scale, rel=1e-4))
    if dialect.kind is Kind.LIGHT:
        silent = set() if dialect.filter or dialect.asked else {"filter-unknown"}
        assert codes_of(header) & ABOUT == dialect.asked | silent


# --- plate scale ----------------------------------------------------------------------------

MATRICES = [
    square(0.0002161),
    {"CD1_1": -1.1e-07, "CD1_2": 7.28e-05, "CD2_1": -7.28e-05, "CD2_2": -1.2e-07},
    {"CD1_1": 4.12222e-05, "CD2_2": -4.12222e-05},
    {"CDELT1": -0.0004, "CDELT2": 0.0004, "CROTA2": 33.0},
    {"CDELT1": -0.0004, "CDELT2": 0.0004},
    {"PC1_1": 0.8, "PC1_2": -0.6, "PC2_1": 0.6, "PC2_2": 0.8, "CDELT1": 2e-4, "CDELT2": 2e-4},
    {"CD1_1": -1.25, "CD2_2": 1.25, "CUNIT1": "arcsec", "CUNIT2": "arcsec"},
]


@pytest.mark.parametrize("cards", MATRICES)
def test_scales_agree_with_astropy(cards):
    """Guards the scale of each way to write world coordinates against astropy's own reading."""
    written = fits.Header({"NAXIS": 2, "NAXIS1": 100, "NAXIS2": 100, **TAN, **cards})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # astropy mends CROTA2 and says so
        scales = proj_plane_pixel_scales(WCS(written)) * 3600
    found = header_of({**TAN, **cards}).arcsec_per_px
    assert found == pytest.approx((scales[0] * scales[1]) ** 0.5, rel=1e-6)


@pytest.mark.parametrize(
    "cards",
    [
        {"CTYPE1": " ", "CTYPE2": " ", "CDELT1": 1, "CDELT2": 1},  # pixels, nothing more
        {**TAN, "CD1_1": 1.0, "CD2_2": 1.0},  # an identity matrix nobody filled in
        {**TAN, "CD1_1": 0.0, "CD2_2": 0.0},
        {**TAN, "CDELT1": 0.0, "CDELT2": 0.0},
        {"SCALE": 1.0},  # of what?
        {"PIXSCALE": 0.0},
        {"PIXEL SCALE": (43.08, "[um/pixel] pixel scale")},
        {"PLTSCALE": 67.2},  # arc seconds a millimetre, and no pixel size
    ],
)
def test_no_scale_is_made_up(cards):
    """Guards against a scale from coordinates that are none, or a card that means another thing."""
    assert header_of(cards).arcsec_per_px is None


def test_a_scale_a_millimetre_needs_the_pixel():
    """Guards PLTSCALE in arc seconds a millimetre: 67.2 x 25 um = 1.68 (Schmidt plates, DSS)."""
    header = header_of({"PLTSCALE": (67.2, "arcsec/mm"), "PIXSIZE": 25.0})
    assert header.arcsec_per_px == pytest.approx(1.68)


def test_a_scale_of_the_unbinned_pixel_agrees():
    """Guards a binned frame from a question where the card is of the unbinned pixel."""
    optics = {"XPIXSZ": 7.52, "FOCALLEN": 540.0, "XBINNING": 2}
    header = header_of({**optics, "PIXSCALE": 1.4362})
    assert header.arcsec_per_px == pytest.approx(2.8724, abs=1e-4)
    assert "plate-scale" not in codes_of(header)
    assert "plate-scale" in codes_of(header_of({**optics, "PIXSCALE": 0.7}))


def test_a_binned_frame_with_a_card_alone_is_asked_about():
    """Guards the doubt whether a scale is of the stored pixel, where nothing else tells."""
    assert "plate-scale" in codes_of(header_of({"PIXSCALE": 0.5, "XBINNING": 2}))
    said = header_of({"PIXSCALE": (0.5, "arcsec/pixel, unbinned"), "XBINNING": 2})
    assert (said.arcsec_per_px, "plate-scale" in codes_of(said)) == (1.0, False)


def test_what_a_person_says_of_the_optics_sets_the_scale():
    """Guards a corrected focal length: 206.264806 x 3.76 / 540 = 1.43622, times bin 2."""
    header = header_of({"XPIXSZ": 7.52, "XBINNING": 2, "PIXSCALE": 1.0})
    said = json.dumps([None, None, 540.0, None])
    corrected = corrected_header(header, {Field.RIG: said}, lambda _: None)
    assert corrected.arcsec_per_px == pytest.approx(2.87244, abs=1e-4)
    renamed = corrected_header(
        header, {Field.RIG: json.dumps(["t", "c", None, None])}, lambda _: None
    )
    assert renamed.arcsec_per_px == header.arcsec_per_px


# --- names of files -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stem", "target", "filter_name"),
    [
        ("M13_blue_0001", "M13", "B"),
        ("Light_M31_R_300s_001", "M31", "R"),
        ("Light_Horsehead_600s_Ha_7nm_0001", "Horsehead", "Ha 7nm"),
        ("NGC 7000 - Panel 2_Ha_001", "NGC 7000 panel 2", "Ha"),
        ("Sh2-101_SII_300s", "Sh2-101", "SII"),
        ("Rosette_Ha_300s_0001", "Rosette", "Ha"),
        ("Blue Snowball_001", "Blue Snowball", None),
        ("Blue Snowball_R_60s", "Blue Snowball", "R"),
        ("Light_L_0001", None, "L"),
        ("Flat-Red-0003", None, "R"),
        ("2024-05-05_21-10-33_Ha_-10.00_300.00s_0012", None, "Ha"),
        ("M42_OIII_SII_001", "M42", None),
        ("IMG_0001", None, None),
        ("cloudynight_000", None, None),
        ("2024-01-01_0001", None, None),
        ("night_013343", None, None),
        ("deep2g_ra352_1-ccd1", None, None),
        ("k4m_160319_075112_ooi_zd_ls9.CCD3", None, None),
        ("M_0001", None, None),
        ("frame_m_12", None, None),
        ("ic_0012", None, None),
        ("cr_001", None, None),
        ("B_0001", None, None),
        ("c_0012", None, None),
        ("iris_0001", None, None),
        ("Red Rectangle_001", None, None),
    ],
)
def test_a_file_name_tells_only_what_is_sure(stem, target, filter_name):
    """Guards against a target or filter made up from a counter, a date, a camera or a colour."""
    found = target_in_file_name(stem)
    assert (found, filter_in_file_name(stem, found)) == (target, filter_name)


@pytest.mark.parametrize(
    ("target", "filter_name", "left"),
    [
        ("DECaLS_25440_z", "z'", "DECaLS_25440"),
        ("Home_Ha", "Ha", "Home"),
        ("Home_Ha", "OIII", "Home_Ha"),
        ("Home_Ha_300s", "Ha", "Home"),
        ("NGC7000_Ha", "Ha", "NGC7000_Ha"),
        ("Home Ha 3nm 300s", "Ha 3nm", "Home"),
        ("Home field L 300s", "L", "Home field"),
        ("Orion B 300s", "B", "Orion B 300s"),
        ("My Rosette_0001", "Ha", "My Rosette_0001"),
        ("Orion B", "B", "Orion B"),
        ("IC 1318 B", "B", "IC 1318 B"),
        ("Kepler-90 g", "g'", "Kepler-90 g"),
        ("Ha", "Ha", "Ha"),
        ("M 31", None, "M 31"),
    ],
)
def test_a_target_leaves_out_its_own_filter_only(target, filter_name, left):
    """Guards objects whose names end in a letter that is also a filter."""
    assert without_own_filter(target, filter_name) == left
