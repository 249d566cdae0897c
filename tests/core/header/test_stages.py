"""How far a frame has been processed (common practice, no source, unless a test names one)."""

import pytest

from runlog.core.frame import Card, Shape, Stage
from runlog.core.header.cards import CardIndex
from runlog.core.header.stages import decide_stage, stage_by_cards

MONO = Shape(6000, 4000)


def stage_of(*cards, shape=MONO, folder="", stem=""):
    """Decide a stage from (keyword, value) pairs."""
    index = CardIndex([Card(*card) for card in cards])
    return decide_stage(stage_by_cards(index, shape), folder, stem)


@pytest.mark.parametrize(
    ("cards", "stage"),
    [
        ([], Stage.RAW),
        ([("CALSTAT", "BDF")], Stage.CALIBRATED),
        ([("CALSTAT", "D")], Stage.CALIBRATED),
        ([("CALSTAT", "")], Stage.RAW),
        ([("CALSTAT", "uncalibrated")], Stage.RAW),
        # NOAO dictionary 1.0: a remark once the step is done
        ([("FLATCOR", "Mar 13 10:02 Flat field image is nflat.fits")], Stage.CALIBRATED),
        ([("DARKCORR", "OMIT")], Stage.RAW),
        ([("DARKCORR", "PERFORM")], Stage.RAW),
        ([("DARKCORR", "COMPLETE")], Stage.CALIBRATED),
        ([("DEBAYER", True)], Stage.DEBAYERED),
        ([("DEBAYER", False)], Stage.RAW),
        ([("REGISTERED", "T")], Stage.REGISTERED),
        ([("HISTORY", "Dark subtracted with master_dark_300s")], Stage.CALIBRATED),
        ([("HISTORY", "calibrated"), ("HISTORY", "Debayered, then registered")], Stage.REGISTERED),
        ([("HISTORY", "demosaiced")], Stage.DEBAYERED),
        ([("HISTORY", "not calibrated")], Stage.RAW),
        ([("HISTORY", "uncalibrated raw frame")], Stage.RAW),
        ([("HISTORY", "not yet registered")], Stage.RAW),
        ([("COMMENT", "the mount was aligned on three stars")], Stage.RAW),
        ([("BAYERPAT", "RGGB")], Stage.RAW),
    ],
)
def test_cards_tell_the_stage(cards, stage):
    """Guards the choice of the rawest copy by what the header says was done."""
    assert stage_of(*cards) is stage


@pytest.mark.parametrize(
    ("shape", "stage"),
    [
        (Shape(6000, 4000, 1, 16), Stage.RAW),
        (Shape(6000, 4000, 1, 8), Stage.RAW),
        (Shape(6000, 4000, 1, -32), Stage.CALIBRATED),
        (Shape(6000, 4000, 3, 16), Stage.DEBAYERED),
    ],
)
def test_the_pixels_tell_the_stage(shape, stage):
    """Guards floats and colour planes, which no camera delivers raw."""
    assert stage_of(("BAYERPAT", "RGGB"), shape=shape) is stage


@pytest.mark.parametrize(
    ("stem", "stage"),
    [
        ("M31_L_0001", Stage.RAW),
        ("M31_L_0001_c", Stage.CALIBRATED),
        ("M31_L_0001_cal", Stage.CALIBRATED),
        ("M31_L_0001_c_cc", Stage.CALIBRATED),
        ("M31_L_0001_c_cc_d", Stage.DEBAYERED),
        ("M31_L_0001_c_d_r", Stage.REGISTERED),
        ("M31_L_0001_c_r", Stage.REGISTERED),
        ("M31_L_0001_deb", Stage.DEBAYERED),
        ("M31_L_0001_registered", Stage.REGISTERED),
        ("M31_300s_R", Stage.RAW),  # the filter
        ("M31_300s_r", Stage.RAW),
        ("M31_300s_d", Stage.RAW),
        ("M31_300s_C", Stage.RAW),
        ("Regulus", Stage.RAW),
        ("California_cala", Stage.RAW),
    ],
)
def test_the_file_name_tells_the_stage(stem, stage):
    """Guards suffixes of processed copies, and filters from being taken for them."""
    assert stage_of(stem=stem) is stage


@pytest.mark.parametrize(
    ("folder", "stage"),
    [("calibrated", Stage.CALIBRATED), ("Registered", Stage.REGISTERED), ("reg", Stage.RAW),
     ("cal", Stage.RAW), ("M31 calibrated later", Stage.RAW), ("", Stage.RAW)],
)  # fmt: skip
def test_a_folder_of_that_very_name_tells_the_stage(folder, stage):
    """Guards folders: only their whole name counts, and "cal" holds calibration frames."""
    assert stage_of(folder=folder) is stage


def test_the_furthest_stage_counts():
    """Guards a registered frame whose name only says calibrated."""
    assert stage_of(("REGISTERED", True), stem="M31_0001_c") is Stage.REGISTERED
