"""One spelling per filter."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.core.header.filters import System, filter_key, fold_filter

# Spellings seen in headers; common practice, no source.
SPELLINGS = {
    "L": ["L", "l", "Lum", "LUM", "Luminance", "luminosity", " Lum ", "'Lum'", "1-Lum", "L filter"],
    "R": [
        "R",
        "Red",
        "RED",
        "red ",
        "Red Filter",
        "2-Red",
        "2: Red",
        "02_Red",
        "Rot",
        "Slot 2: Red",
    ],
    "G": ["G", "Green", "green", "Grün", "3 Green"],
    "B": ["B", "Blue", "BLUE", "Blau", "4. Blue"],
    "Ha": [
        "Ha",
        "HA",
        "H-alpha",
        "H_Alpha",
        "Halpha",
        "H alpha",
        "H α",
        "Hα",
        "Ha narrowband",
        "H-Alpha Filter",
        "Ha 656nm",
        "Ha 656.3 nm",
        "Ha 0nm",
    ],
    "OIII": ["OIII", "O3", "O-III", "[OIII]", "oiii", "O III", "Oiii line", "OIII 501nm"],
    "SII": ["SII", "S2", "S-II", "[SII]", "s ii"],
    "NII": ["NII", "N2", "[N II]"],
    "Hb": ["Hb", "H-beta", "Hβ", "Hbeta"],
    "Clear": ["Clear", "CLEAR", "Clr", "C", "clear filter"],
    "Ha 3nm": [
        "Ha 3nm",
        "Ha 3 nm",
        "3nm Ha",
        "Ha-3nm",
        "Ha_3nm",
        "H-alpha (3nm)",
        "Ha 3.0nm",
        "Ha 30Å",
    ],
    "Ha 7nm": ["Ha 7nm", "Ha-7nm", "7 nm H-alpha", "5: Ha 7nm"],
    "OIII 6.5nm": ["OIII 6.5nm", "O3 6,5 nm"],
    "u'": ["u'", "u", "SDSS u"],
    "g'": [
        "g'",
        "Sloan g",
        "Sloan g'",
        "sdss_g",
        "SDSS-g'",
        "gp",
        "g’",
        "g#782",
        "g_G0301",
        "g DECam SDSS c0001 4720.0 1520.0",
        "SDSS-GP-189",
        "sdss_g_prime",
        "g.MP9401",
        "g-band",
    ],
    "r'": ["r'", "Sloan r", "rp", "r#784", "ZTF_r"],
    "i'": ["i'", "i", "i'_int 789_157", "sdss i", "Sloan i' filter", "ip", "Slot 3: i"],
    "z'": ["z'", "z", "zs", "zp", "zd DECam k1038", "z DECam SDSS c0004 9260.0 1520.0"],
    "w": ["w", "PS1 w"],
    "g' 1nm": ["Sloan g 1nm", "g' 1nm", "1nm:Sloan g'"],
    "V": ["V", "Johnson V", "Bessell V"],
    "U": ["U", "U#640"],
    "Johnson B": [
        "B#639",
        "B_BESS",
        "B_Bes 440_100",
        "B Harris k1002",
        "Johnson B",
        "Bessell B",
        "Bessell-B",
        "photometric B",
    ],
    "Rc": ["R#642", "Johnson-Cousins R", "Rc", "Cousins R", "Bessell R"],
    "Ic": ["Ic", "I", "Cousins I", "COUS-IC-180", "I_BESS"],
    "Slot 2": ["2", "#2", "Slot 2", "Filter 2", "slot02", "Position 2"],
}
CASES = [(raw, name) for name, raws in SPELLINGS.items() for raw in raws]


@pytest.mark.parametrize(("raw", "name"), CASES)
def test_each_spelling_folds_to_its_filter(raw, name):
    """Guards the one spelling per filter."""
    assert fold_filter(raw) == name


@pytest.mark.parametrize(
    "raw",
    [
        None,
        "",
        "  ",
        "''",
        '""',
        "None",
        "No filter",
        "no_filter",
        "EMPTY",
        "Unknown",
        "N/A",
        "-",
        "open",
        "open1-6",
        "air",
        "Free",
    ],
)
def test_no_filter_is_no_name(raw):
    """Guards against an empty slot or a silent header becoming a filter."""
    assert fold_filter(raw) is None


@pytest.mark.parametrize(
    "raw",
    [
        "UV/IR cut", "L-Wide", "Ha+OIII", "HaOIII", "Dual Band", "Infrared", "Far Red", "Ha 7",
        "R2", "City light", "triband", "Tri band", "Methane 889nm", "SHO", "Redux", "Cyan", "IR",
        "Z", "Lumen", "Nebula",
    ],
)  # fmt: skip
def test_an_unknown_name_is_kept(raw):
    """Guards against folding a filter into another it only looks like."""
    assert fold_filter(raw) == raw
    assert fold_filter(f"  {raw} ") == raw


def test_photometric_and_colour_filters_stay_apart():
    """Guards Sloan g' and Johnson B from being counted as green and blue."""
    assert len({fold_filter(raw) for raw in ("g'", "G", "Johnson B", "B", "r'", "Rc", "R")}) == 7


@pytest.mark.parametrize(
    ("raw", "unknown", "sloan", "johnson"),
    [
        ("g", "G", "g'", "G"),
        ("r", "R", "r'", "R"),
        ("R", "R", "R", "Rc"),
        ("B", "B", "B", "Johnson B"),
    ],
)
def test_a_letter_is_what_its_set_makes_of_it(raw, unknown, sloan, johnson):
    """Guards the letters that cameras' colour filters and photometric sets share."""
    assert fold_filter(raw) == unknown
    assert fold_filter(raw, system=System.SLOAN) == sloan
    assert fold_filter(raw, system=System.JOHNSON) == johnson


def test_bandwidths_stay_apart():
    """Guards 3 nm and 7 nm hours from being added up as one filter."""
    assert len({fold_filter(raw) for raw in ("Ha", "Ha 3nm", "Ha-7nm", "Ha 6nm")}) == 4


def test_the_settings_win_and_their_names_stand():
    """Guards the extension by config, in any spelling, and that its names are not folded again."""
    extra = {"Duo Band": "Ha+OIII", "red": "Deep Red", "slot 3": "OIII 4nm", "quad": "luminance"}
    assert fold_filter("duo-band", extra) == "Ha+OIII"
    assert fold_filter("RED", extra) == "Deep Red"
    assert fold_filter("R", extra) == "R"
    assert fold_filter("Slot_3", extra) == "OIII 4nm"
    assert fold_filter("Quad", extra) == "luminance"
    assert fold_filter(fold_filter("Quad", extra), extra) == "luminance"


def test_a_prime_in_the_settings_does_not_catch_the_bare_letter():
    """Guards a setting for Sloan g' from renaming green."""
    extra = {"g'": "Sloan green"}
    assert fold_filter("G", extra) == "G"
    assert fold_filter("g'", extra) == "Sloan green"
    assert filter_key("Sloan g'") == "g'"


FRAGMENTS = st.lists(
    st.sampled_from(
        [
            "Ha",
            "H",
            "alpha",
            "α",
            "OIII",
            "3nm",
            "6.5 nm",
            "30Å",
            "L",
            "Red",
            "g'",
            "'",
            '"',
            "(",
            ")",
            "1-",
            "Slot",
            "2",
            "#",
            " ",
            "_",
            "-",
            "filter",
            "narrowband",
            "0.04nm",
            "99.999nm",
            "656nm",
            "Sloan",
            "[",
            "]",
            ".",
            "none",
        ]
    ),
    max_size=6,
).map("".join)


@given(st.one_of(st.text(max_size=20), FRAGMENTS))
@settings(max_examples=100)
def test_folding_twice_changes_nothing(raw):
    """Guards the law that a folded name is its own spelling."""
    once = fold_filter(raw)
    assert fold_filter(once) == once


@given(st.text(max_size=12), st.dictionaries(st.text(max_size=6), st.text(min_size=1, max_size=6)))
def test_folding_twice_changes_nothing_with_settings(raw, extra):
    """Guards the same law with any settings whose names are trimmed."""
    extra = {spelling: name.strip() for spelling, name in extra.items() if name.strip()}
    once = fold_filter(raw, extra)
    assert fold_filter(once, extra) == once
