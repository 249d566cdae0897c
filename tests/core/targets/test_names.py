"""Every spelling of an object leads to one name, and nothing else does."""

import string
import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.core.targets.catalogue.nicknames import NICKNAMES
from runlog.core.targets.catalogue.regions import REGIONS, SAME
from runlog.core.targets.edit_distance import nearly, slips
from runlog.core.targets.names import NO_TARGET, How, TargetNames
from runlog.core.targets.places import apart_deg, place_name, read_place
from runlog.core.targets.sequence_words import split_panel, with_panel
from runlog.store.catalogue import OpenNgc, target_names
from tests.core.spellings import SPELLINGS, UNRESOLVED

PAIRS = [(written, name) for name, spellings in SPELLINGS.items() for written in spellings]


@pytest.fixture(scope="module")
def names():
    """Give the folder with OpenNGC behind it."""
    return target_names()


def test_the_list_is_long_enough():
    """Two hundred spellings of sixty objects, as promised."""
    assert len(PAIRS) >= 200
    assert len(SPELLINGS) >= 60


@pytest.mark.parametrize(("written", "name"), PAIRS)
def test_spellings_lead_to_one_name(names, written, name):
    """A spelling leads to its object (cross-identifications: see tests/core/spellings.py)."""
    assert names.fold(written).name == name


def test_what_nothing_tells_is_not_merged(names):
    """Names that could be several objects, or none, stay apart from all objects and each other."""
    found = [names.fold(written) for written in UNRESOLVED]
    assert len({f.name for f in found}) == len(UNRESOLVED)
    assert not {f.name for f in found} & set(SPELLINGS) - {NO_TARGET}


@pytest.mark.parametrize(
    ("written", "several"),
    [
        ("Veil Nebula", {"NGC 6960", "NGC 6992", "NGC 6995"}),
        ("M 33 west", {"M 33"}),
        ("IC 1318B", {"IC 1318"}),
        ("Heart and Soul", {"IC 1805", "IC 1848"}),
        ("Helix", {"NGC 7293", "NGC 2685"}),  # OpenNGC: the nebula, and the galaxy
        ("helix_Ha_panel2", {"NGC 7293", "NGC 2685"}),
    ],
)
def test_doubtful_names_say_what_they_may_be(names, written, several):
    """A doubt names the objects to choose from, so that it can be asked."""
    found = names.fold(written)
    assert found.how is How.AS_WRITTEN
    assert set(found.perhaps) == several


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("NGC 6503 galaxy", "NGC 6503"),  # no nickname, but what it is
        ("NGC 7000 North America", "NGC 7000"),
        ("NGC7000 NorthAmericaNebula", "NGC 7000"),
        ("NGC 7000 NorthAmerica", "NGC 7000"),
    ],
)
def test_a_nickname_beside_a_number_is_no_doubt(names, written, name):
    """Guards against asking whether "NGC 7000 North America" is NGC 7000."""
    found = names.fold(written)
    assert (found.name, found.how) == (name, How.NUMBER)


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("NGC 869/884", "NGC 869 + NGC 884"),
        ("NGC 869/84", "NGC 869 + NGC 884"),  # the digits that differ
        ("NGC 4038/39", "NGC 4038 + NGC 4039"),
        ("M 81/82", "M 81 + M 82"),
    ],
)
def test_two_numbers_are_two_objects(names, written, name):
    """Guards pairs of objects in one name, the second with as many digits as differ."""
    assert names.fold(written).name == name


@pytest.mark.parametrize("written", ["M 81/2", "NGC 4038-39"])
def test_a_part_of_a_number_may_be_a_panel(names, written):
    """Guards against a second object where a panel or a date may be meant."""
    assert "+" not in names.fold(written).name


def test_slips_are_said_to_be_slips(names):
    """A corrected slip of the fingers is not silent."""
    assert names.fold("NCG 7000").how is How.TYPO
    assert names.fold("Andromida Galaxy").how is How.TYPO


NAMES = st.one_of(
    st.text(max_size=30),
    st.text(alphabet=string.ascii_letters + string.digits + " _-/()", max_size=25),
    st.sampled_from([w for w, _ in PAIRS] + UNRESOLVED),
    st.builds("{}_{}".format, st.sampled_from([w for w, _ in PAIRS]), st.text(max_size=8)),
)


@settings(max_examples=100)
@given(NAMES)
def test_folding_twice_is_folding_once(name):
    """What is folded stays as it is, so totals, goals and questions meet."""
    names = target_names()
    once = names.fold(name).name
    assert names.fold(once).name == once
    assert once


@given(st.text(max_size=30))
def test_the_rules_alone_never_fail(name):
    """Whatever a header holds, the rules give a name (a header may hold anything)."""
    once = TargetNames().fold(name).name
    assert TargetNames().fold(once).name == once


@given(NAMES)
def test_the_catalogue_answers_any_name(name):
    """A name of any sort is in the catalogue or not; asking never fails."""
    catalogue = target_names().catalogue
    for asked in (name, target_names().fold(name).name):
        place = catalogue.place(asked)
        assert place is None or -90 <= place.dec_deg <= 90
        assert catalogue.main_name(asked) is None or catalogue.main_name(asked)


def test_letters_and_blanks_decide_nothing_else(names):
    """Case, blanks and underscores never part a catalogue number from itself."""
    for number in ("ngc7000", "NGC 7000", "Ngc_7000", "nGC-7000", "NGC  07000"):
        assert names.fold(number).name == "NGC 7000"


# --- our own tables against OpenNGC ---------------------------------------------------------


@pytest.mark.parametrize("place", [p for p in REGIONS.values() if p.same], ids=lambda p: p.name)
def test_our_positions_agree_with_openngc(place):
    """A region from memory lies where OpenNGC has the object of the better-known number."""
    known = OpenNgc().place(place.same)
    assert known is not None
    off = apart_deg(place.ra_deg, place.dec_deg, known.ra_deg, known.dec_deg)
    # Emission regions have no centre: half their size, and a quarter degree for rounding.
    assert off < 0.25 + max(place.size_arcmin or 0, known.size_arcmin or 0) / 120


def test_positions_stay_on_the_sky():
    """No slip in the table puts an object off the sphere."""
    assert all(0 <= p.ra_deg < 360 and -90 <= p.dec_deg <= 90 for p in REGIONS.values())


def test_nicknames_lead_to_names_that_stay(names):
    """A nickname's object is what its own number folds to, so both are one target."""
    assert {n for n in NICKNAMES.values() if names.fold(n).name != n} == set()


def test_messier_numbers_agree_with_openngc(names):
    """All Messier objects that OpenNGC numbers are one with their NGC number (M 102 disputed)."""
    rows = OpenNgc()._rows.execute(
        "SELECT name, messier FROM objects WHERE messier != '' AND type != 'Dup'"
    )
    found = {names.fold(name).name: f"M {int(messier)}" for name, messier in rows}
    assert len(found) == 109
    assert all(name == messier for name, messier in found.items())


def test_duplicate_numbers_of_openngc_are_one(names):
    """An IC or NGC number that is another's duplicate leads there, unless people use it."""
    query = "SELECT name, ngc, ic FROM objects WHERE type = 'Dup' AND name NOT LIKE 'M%'"
    rows = OpenNgc()._rows.execute(query).fetchall()
    kept = set(SAME.values()) | set(NICKNAMES.values()) | {"M 102"}
    wrong = []
    for name, ngc, ic in rows:
        if not (ngc or ic).isdigit() or not name[3:].isdigit():  # a component: NGC 1530A
            continue
        here = names.fold(name).name
        there = names.fold(f"NGC {ngc}" if ngc else f"IC {ic}").name
        if here != there and here not in kept:
            wrong.append((name, here, there))
    assert wrong == []


# --- places ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ra_deg", "dec_deg", "field_deg", "name"),
    [
        (314.82, 44.52, 2.5, "NGC 7000"),  # OpenNGC: 20 59 17.1 +44 31 44
        (10.72, 41.30, 2.0, "M 31"),
        (148.90, 69.20, 1.5, "M 81"),  # M 82 lies 0.6 degrees north
        (35.5, 57.13, 1.5, "NGC 869 + NGC 884"),  # between the halves of the Double Cluster
        (148.90, 69.37, 1.5, "J0955+6922"),  # between M 81 and M 82: either could be meant
        (0.0, 20.0, 1.0, "J0000+2000"),
    ],
)
def test_frames_without_a_name_are_named_by_place(names, ra_deg, dec_deg, field_deg, name):
    """An object near the middle gives its name; where none outshines the rest, the place does."""
    assert names.at(ra_deg, dec_deg, field_deg).name == name


def test_a_coordinate_name_is_a_place(names):
    """A header may write where it points instead of what at."""
    assert names.fold("20h59m17s +44d31m44s").name == "NGC 7000"
    assert names.fold("00 42 44 +41 16 09").name == "M 31"


def test_places_read_and_written():
    """Coordinates are cut off, not rounded (IAU designations), and read back to the minute."""
    assert place_name(314.8214, 44.5288) == "J2059+4431"
    assert place_name(0.0, -0.99) == "J0000-0059"
    assert read_place("20h59m17s -44d31m") == pytest.approx((314.8208, -44.5167), abs=1e-3)
    assert read_place("M 31") is None
    assert read_place("25h00m +10d00m") is None


def test_angles():
    """One degree of declination is one degree; across 0 h too (spherical geometry)."""
    assert apart_deg(10, 20, 10, 21) == pytest.approx(1.0)
    assert apart_deg(359.5, 0, 0.5, 0) == pytest.approx(1.0)
    assert apart_deg(0, 60, 1, 60) == pytest.approx(0.5, abs=1e-3)  # cos 60 = 1/2


# --- panels ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "panel"),
    [
        ("NGC7000_Ha_Panel2", "2"),
        ("NGC 7000 panel 02", "2"),
        ("NGC7000_P3_300s", "3"),
        ("NGC7000 tile 4", "4"),
        ("NGC 7000 mosaic 2", "2"),
        ("NGC7000 (1/4)", "1"),
        ("NGC7000 3 of 6", "3"),
        ("NGC7000_panel_1-3", "1-3"),
        ("NGC7000 Panel B", "B"),
        ("NGC7000 mosaic", None),
        ("NGC7000_2x2_300s", None),
        ("NGC7000", None),
    ],
)
def test_panels_stay_apart(names, written, panel):
    """A panel is a target of its own, however its number is written (common practice)."""
    assert split_panel(names.fold(written).name) == ("NGC 7000", panel)


@given(st.text(min_size=1, max_size=10), st.integers(1, 99))
def test_panels_split_again(base, number):
    """Splitting a panel's name gives back what it was made of."""
    if "\n" not in base:
        assert split_panel(with_panel(base, str(number))) == (base, str(number))


# --- slips ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("a", "b", "count"),
    [
        ("veil", "veil", 0),
        ("viel", "veil", 1),  # a swap counts once
        ("andromida", "andromeda", 1),
        ("kitten", "sitting", 3),  # Levenshtein's textbook pair
        ("ca", "abc", 3),  # optimal string alignment, not unrestricted Damerau
    ],
)
def test_slips(a, b, count):
    """Distances of textbook pairs."""
    assert slips(a, b, 5) == count


def test_short_words_must_agree():
    """Orion A is no slip of Orion B."""
    assert nearly(("orion", "a"), ("orion", "b")) is None
    assert nearly(("leo", "i"), ("leo", "ii")) is None
    assert nearly(("rosete", "nebula"), ("rosette", "nebula")) == 1


# --- cost -----------------------------------------------------------------------------------


def test_the_catalogue_is_opened_only_when_asked():
    """Numbers that the rules fold, and importing the whole command, open no catalogue."""
    code = (
        "import sys; from runlog.store.catalogue import target_names as t\n"
        "import runlog.ingest.read, runlog.cli\n"
        "assert t().fold('M31_Ha').name == 'M 31' and t().fold('Sh2-101').name == 'Sh2-101'\n"
        "assert 'pyongc' not in sys.modules\n"
        "t().fold('NGC 7000'); t().fold('UGC 454')\n"
        "assert 'pyongc' in sys.modules"
    )
    subprocess.run([sys.executable, "-W", "error", "-c", code], check=True)


def test_workers_know_no_targets():
    """What a scan's worker imports folds no names."""
    code = "import sys, runlog.ingest.read; assert 'runlog.core.targets.names' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_each_spelling_is_folded_once():
    """A second frame of a spelling costs a look into a table, not a search."""
    names = TargetNames(OpenNgc())
    first = names.fold("North Amercia Nebula")
    assert names.fold("North Amercia Nebula") is first


@pytest.mark.parametrize(
    ("written", "name"),
    [("Andromida", "M 31"), ("Horsehed", "B 33"), ("Whirlpol", "M 51"), ("Cresent_Ha", "NGC 6888")],
)
def test_slips_in_short_nicknames(written, name):
    """A slip is read though "nebula" or "galaxy" is left out; it is asked about all the same."""
    folded = target_names().fold(written)
    assert (folded.name, folded.how) == (name, How.TYPO)


@pytest.mark.parametrize("written", ["Home field", "Vail", "Garden", "Casiopeia", "Nebula", "Sole"])
def test_words_that_are_no_slips(written):
    """Short words and names of no object stay as they are."""
    assert target_names().fold(written).name == written
