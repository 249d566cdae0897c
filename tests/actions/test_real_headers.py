"""Headers of real frames: their nights, and questions that are true; skipped where none are."""

import os

import pytest

from runlog.actions.interpret import Interpreter
from runlog.config import Settings
from runlog.errors import FrameError
from runlog.ingest.fits import open_frame
from runlog.store.frames import path_parts
from tests.real import read_references, real_frames

# Taken in the Americas, whatever the sign their longitudes were written with.
WEST_OF_GREENWICH = ("night_", "EFOSC", "ISAAC", "c4d_", "deep2g", "k4m_")
UNTRUE = ("the Sun", "no camera is at", "before the", "is not known; taken as UTC")


@pytest.fixture(scope="module")
def headers():
    """Interpret the header of every frame that opens, by file name."""
    folder = real_frames()
    reader = Interpreter(Settings())
    found = {}
    for reference in read_references(folder):
        path = os.fsencode(folder / reference.file)
        try:
            with open_frame(path) as opened:
                header = reader.parse(opened.cards, opened.shape, path_parts(path))
                found[reference.file] = (reference, reader.meaning(header, opened.shape))
        except FrameError as error:  # what does not open yet has tests of its own
            print(f"not looked at: {reference.file} ({error})")
    return found


def test_every_night_is_the_referenced_one(headers):
    """One real night is one night, also where its longitude counts positive to the west."""
    wrong = {
        name: (said.context.night, reference.night)
        for name, (reference, said) in headers.items()
        if reference.night and said.context.night != reference.night
    }
    assert wrong == {}


def test_american_sites_are_west(headers):
    """Every frame taken in the Americas has a negative longitude."""
    east = [
        name
        for name, (_, said) in headers.items()
        if os.path.basename(name).startswith(WEST_OF_GREENWICH)
        and (said.header.longitude_deg is None or said.header.longitude_deg > 0)
    ]
    assert east == []


def test_no_untrue_question(headers):
    """Cold detectors, early CCDs and UTC by an approximate clock are nothing to ask about."""
    asked = [q.text for _, said in headers.values() for q in said.header.questions]
    assert [text for text in asked if any(words in text for words in UNTRUE)] == []
