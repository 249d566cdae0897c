"""What a frame was taken for: header, folder, file name, and the run it belongs to.

The words are common practice, no source, unless a test names one.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.frame import Card, Kind
from runlog.core.header.cards import CardIndex
from runlog.core.header.kind_words import split_words
from runlog.core.header.kinds import ASSUMED, AuxCandidate, Clues, auxiliary_reasons, decide_kind
from runlog.core.header.questions import Doubts


def kind_of(*cards, path=(), target=None, exposure_s=300.0, sum_of=None):
    """Decide a kind from (keyword, value) pairs; give it with the codes asked."""
    doubts = Doubts()
    index = CardIndex([Card(*card) for card in cards])
    found = decide_kind(index, Clues(path, target, exposure_s, sum_of), doubts)
    return found, {question.code for question in doubts._asked.values()}


@pytest.mark.parametrize(
    ("keyword", "word", "kind"),
    [
        # SBFITSEXT 1.0
        ("IMAGETYP", "Light Frame", Kind.LIGHT),
        ("IMAGETYP", "Bias Frame", Kind.BIAS),
        ("IMAGETYP", "Dark Frame", Kind.DARK),
        ("IMAGETYP", "Flat Frame", Kind.FLAT),
        ("IMAGETYP", "Tricolor Image", Kind.STACK),
        # NOAO FITS Keyword Dictionary 1.0
        ("IMAGETYP", "object", Kind.LIGHT),
        ("IMAGETYP", "zero", Kind.BIAS),
        ("OBSTYPE", "dome flat", Kind.FLAT),
        ("OBSTYPE", "sky", Kind.OTHER),
        ("OBSTYPE", "comp", Kind.OTHER),
        # common practice
        ("IMAGETYP", "LIGHT", Kind.LIGHT),
        ("IMAGETYP", "'Light   '", Kind.LIGHT),
        ("FRAME", "Light", Kind.LIGHT),
        ("FRAMETYP", "science", Kind.LIGHT),
        ("IMAGE-TYP", "DARK", Kind.DARK),
        ("imagetyp", "BIAS", Kind.BIAS),
        ("IMAGETYP", "Offset", Kind.BIAS),
        ("IMAGETYP", "FLAT FIELD", Kind.FLAT),
        ("IMAGETYP", "FlatField", Kind.FLAT),
        ("IMAGETYP", "SKY_FLAT", Kind.FLAT),
        ("IMAGETYP", "Twilight Flat", Kind.FLAT),
        ("IMAGETYP", "Flat Dark", Kind.FLAT_DARK),
        ("IMAGETYP", "DarkFlat", Kind.FLAT_DARK),
        ("IMAGETYP", "DARKFLAT", Kind.FLAT_DARK),
        ("IMAGETYP", "dark for flat", Kind.FLAT_DARK),
        ("IMAGETYP", "Focus", Kind.FOCUS),
        ("IMAGETYP", "AutoFocus Frame", Kind.FOCUS),
        ("IMAGETYP", "plate-solve", Kind.FOCUS),
        ("IMAGETYP", "Snapshot", Kind.OTHER),
    ],
)
def test_the_header_word_tells_the_kind(keyword, word, kind):
    """Guards the many spellings of the kind in a header."""
    found, codes = kind_of((keyword, word))
    assert (found.kind, found.source) == (kind, "header")
    assert not codes


@pytest.mark.parametrize(
    ("word", "of"),
    [
        ("Master Dark", "dark"),
        ("MASTER FLAT", "flat"),
        ("MasterBias", "bias"),
        ("masterdark", "dark"),
        ("Superbias", "bias"),
        ("Dark Master", "dark"),
        ("Master Light", "light"),
        ("Master Flat Dark", "flat-dark"),
        ("Integrated Light Frame", "light"),
    ],
)
def test_a_master_is_a_stack_and_says_of_what(word, of):
    """Guards masters from being counted as exposures, and what they are masters of."""
    found, _ = kind_of(("IMAGETYP", word))
    assert (found.kind, found.source) == (Kind.STACK, f"header: master of {of}")


@pytest.mark.parametrize(
    ("path", "kind", "source"),
    [
        (("M31", "darks", "img_0001.fits"), Kind.DARK, "folder name"),
        (("Darks", "300s -10C", "img_0001.fits"), Kind.DARK, "folder name"),
        (("Dark Frames 300s", "img_0001.fits"), Kind.DARK, "folder name"),
        (("dark", "0001.fits"), Kind.DARK, "folder name"),
        (("2024-03-12", "flat_darks", "a1.fit"), Kind.FLAT_DARK, "folder name"),
        (("DarkFlats", "a1.fit"), Kind.FLAT_DARK, "folder name"),
        (("darks for flats", "a1.fit"), Kind.FLAT_DARK, "folder name"),
        (("Darks and Flats", "flat_0001.fit"), Kind.FLAT, "file name"),
        (("Darks_Flats", "dark_0001.fit"), Kind.DARK, "file name"),
        (("Dark subs", "a1.fit"), Kind.DARK, "folder name"),
        (("Flats", "flat_dark_0001.fits"), Kind.FLAT_DARK, "file name"),
        (("Sky Flats", "a1.fit"), Kind.FLAT, "folder name"),
        (("flat", "Ha", "a1.fit"), Kind.FLAT, "folder name"),
        (("BIAS", "a1.fit"), Kind.BIAS, "folder name"),
        (("bias", "Dark_0001.fits"), Kind.BIAS, "folder name"),
        (("offsets", "a1.fit"), Kind.BIAS, "folder name"),
        (("M31", "lights", "a1.fit"), Kind.LIGHT, "folder name"),
        (("autofocus", "a1.fit"), Kind.FOCUS, "folder name"),
        (("night", "Dark_300s_-10C_0001.fits.gz"), Kind.DARK, "file name"),
        (("night", "M31_Light_Ha_300s_0001.fits"), Kind.LIGHT, "file name"),
        (("night", "Flat-Red-0003.fit"), Kind.FLAT, "file name"),
        (("night", "Bias_0001.fits.fz"), Kind.BIAS, "file name"),
        (("night", "darkflat_0001.fits"), Kind.FLAT_DARK, "file name"),
        (("night", "Dark001.fits"), Kind.DARK, "file name"),
        (("night", "DARK_0001.FITS"), Kind.DARK, "file name"),
        (("night", "M31_0001.fits"), Kind.LIGHT, ASSUMED),
        ((), Kind.LIGHT, ASSUMED),
    ],
)
def test_names_tell_the_kind_where_the_header_is_silent(path, kind, source):
    """Guards the guess from folder, then file name, and that it is said to be one."""
    found, _ = kind_of(path=path)
    assert (found.kind, found.source) == (kind, source)


@pytest.mark.parametrize(
    "path",
    [
        ("Dark Horse Nebula", "M0001.fits"),
        ("Dark Sky Park", "M31", "a1.fits"),
        ("DarkShark", "LDN1235_300s_0001.fits"),
        ("LDN 1235 Dark Nebula", "L_0001.fits"),
        ("Flatbush", "a1.fits"),
        ("Flatiron", "a1.fits"),
        ("My Flat Roof", "a1.fits"),
        ("Biased", "a1.fits"),
        ("night", "Dark_Nebula_B33_L_0001.fits"),
        ("night", "DarkHorse_L_0001.fits"),
        ("night", "LDN1235_Dark_Shark_300s.fits"),
        ("night", "Barnard_150_dark_L_0001.fits"),
        ("night", "M31_L_offset50_gain100_0001.fits"),
        ("night", "M31_L_300s_focus_12345.fits"),
        ("zero gravity", "a1.fits"),
    ],
)
def test_a_trap_in_a_name_is_no_calibration_frame(path):
    """Guards light frames of dark nebulae, and odd folder names, from becoming darks or flats."""
    assert kind_of(path=path)[0].kind is Kind.LIGHT


def test_a_name_that_is_not_text_stays_out_of_the_reason():
    """Guards the database from undecodable bytes of a folder's name (PEP 383 surrogates)."""
    for folder in ("autofocus\udcff", "masters \udcff"):
        found, _ = kind_of(("IMAGETYP", "LIGHT"), path=(folder, "a1.fits"), exposure_s=5.0)
        assert found.kind in (Kind.FOCUS, Kind.STACK)
        assert found.source.isascii()


def test_only_the_last_folders_count():
    """Guards against a folder far up the tree deciding for everything below it."""
    path = ("darks", "archive", "2024", "M31", "a1.fits")
    assert kind_of(path=path)[0] == (Kind.LIGHT, ASSUMED, None)


def test_the_header_outranks_the_folder_and_the_conflict_is_asked_about():
    """Guards a light frame in the wrong folder: still a light, and asked about."""
    found, codes = kind_of(("IMAGETYP", "Light Frame"), path=("darks", "a1.fits"))
    assert (found.kind, found.source) == (Kind.LIGHT, "header")
    assert codes == {"kind-conflict"}


def test_a_dark_in_a_flat_dark_folder_is_a_flat_dark():
    """Guards flat-darks, which most headers can only call darks."""
    found, codes = kind_of(("IMAGETYP", "DARK"), path=("flat_darks", "a1.fits"))
    assert (found.kind, found.source) == (Kind.FLAT_DARK, "folder name")
    assert not codes


def test_an_unknown_word_is_asked_about_and_the_next_card_heard():
    """Guards against an odd word hiding what another card says."""
    found, codes = kind_of(("IMAGETYP", "EXT"), ("OBSTYPE", "flat"))
    assert (found.kind, codes) == (Kind.FLAT, set())
    found, codes = kind_of(("IMAGETYP", "EXT"))
    assert (found.kind, found.source, codes) == (Kind.LIGHT, ASSUMED, {"kind-unknown"})
    found, codes = kind_of(("FRAME", 17), ("PICTTYPE", "1"))  # running numbers
    assert (found.source, codes) == (ASSUMED, set())


@pytest.mark.parametrize(
    ("cards", "more", "source", "combined"),
    [
        ([("NCOMBINE", 24)], {}, "header: 24 exposures combined", 24),
        ([("STACKCNT", "12")], {}, "header: 12 exposures combined", 12),
        # SBFITSEXT 1.0: SNAPSHOT is the number of images combined
        ([("IMAGETYP", "LIGHT"), ("SNAPSHOT", 5)], {}, "header: 5 exposures combined of light", 5),
        ([], {"sum_of": 20}, "shape of the exposure: 20 times the single exposure", 20),
        (
            [],
            {"exposure_s": 36000.0},
            "shape of the exposure: 36000 s is longer than one exposure",
            None,
        ),
        (
            [("IMAGETYP", "LIGHT")],
            {"path": ("M31", "M31_stack_Ha.fits")},
            "file name: stack, of light",
            None,
        ),
        ([], {"path": ("cal", "master_dark_300s.fits")}, "file name: master, of dark", None),
        (
            [("IMAGETYP", "FLAT")],
            {"path": ("cal", "MasterFlat_L.fits")},
            "file name: master, of flat",
            None,
        ),
        (
            [("IMAGETYP", "DARK")],
            {"path": ("masters", "d300.fits")},
            "folder name: masters, of dark",
            None,
        ),
    ],
)
def test_a_sum_of_exposures_is_a_stack(cards, more, source, combined):
    """Guards totals from stacks and masters, and that the reason is told."""
    found, _ = kind_of(*cards, **more)
    assert found == (Kind.STACK, source, combined)


@pytest.mark.parametrize(
    ("cards", "more"),
    [
        ([("NCOMBINE", 1)], {}),
        ([("SNAPSHOT", 0)], {}),
        ([("NFRAMES", 40, "frames in sequence")], {}),
        ([("NUMFRAME", "n/a")], {}),
        ([], {"exposure_s": 3600.0}),
        ([], {"path": ("to stack", "M31_0001.fits")}),
        ([], {"path": ("stacking", "M31", "M31_mosaic_panel_2.fits")}),
    ],
)
def test_a_single_exposure_is_no_stack(cards, more):
    """Guards single exposures from being left out of the totals."""
    assert kind_of(*cards, **more)[0].kind is Kind.LIGHT


@pytest.mark.parametrize(
    ("more", "kind"),
    [
        ({"target": "autofocus"}, Kind.FOCUS),
        ({"target": "Plate Solve"}, Kind.FOCUS),
        ({"target": "Centering 1"}, Kind.FOCUS),
        ({"target": "test"}, Kind.OTHER),
        ({"target": "Snapshot"}, Kind.OTHER),
        ({"path": ("night", "autofocus_0003.fits")}, Kind.FOCUS),
        ({"path": ("night", "af_12345_01.fits")}, Kind.FOCUS),
        ({"path": ("night", "Focus_12345.fits")}, Kind.FOCUS),
        ({"path": ("night", "M31_platesolve_5s.fits")}, Kind.FOCUS),
        ({"path": ("night", "plate_solve_0001.fits")}, Kind.FOCUS),
        ({"path": ("Focus", "a0001.fits")}, Kind.FOCUS),
    ],
)
def test_telling_words_unmask_a_short_frame_that_claims_to_be_a_light(more, kind):
    """Guards totals from focus, solve and test frames whose header says light."""
    found, _ = kind_of(("IMAGETYP", "LIGHT"), exposure_s=5.0, **more)
    assert found.kind is kind
    assert found.source != "header"


@pytest.mark.parametrize(
    "more",
    [
        {"target": "autofocus", "exposure_s": 300.0},  # the name left over from focusing
        {"target": "M 31", "path": ("test", "M31_0001.fits"), "exposure_s": 30.0},
        {"path": ("plate solved", "M31_0001.fits"), "exposure_s": 30.0},
        {"path": ("night", "M31_L_30s_focus_12345.fits"), "exposure_s": 30.0},
        {"path": ("night", "M31_aligned_test.fits"), "exposure_s": 30.0},
        {"target": "Test field in Cygnus", "exposure_s": 30.0},
    ],
)
def test_a_light_is_not_swallowed_by_a_word(more):
    """Guards real lights, short star exposures included, from a word that means something else."""
    assert kind_of(("IMAGETYP", "LIGHT"), **more)[0] == (Kind.LIGHT, "header", None)


FOCUS_FOLDERS = [
    "focus", "Focus", "focus 3", "Focus_run", "FOCUS-RUN-02", "focus3", "-focus", "+focus", "_AF",
    "#AF", "AF", "AF_012", "af 1", "00_AF", "1 focus", "autofocus", "AutoFocus_003", "Auto Focus",
    "2026-03-01 focus", "AF_2026-03-01", "focus_M42_run3", "focus_Jupiter", "FocusTest", "v-curve",
]  # fmt: skip
NO_FOCUS_FOLDERS = [
    "in focus", "refocused", "keepers-focus-ok", "focus ok", "good focus", "focus checked",
    "AF And", "AF_Cyg", "Autofocus nebula", "focus on andromeda", "defocused", "after focus",
    "focus issue", "Lights",
]  # fmt: skip


@pytest.mark.parametrize("cards", [[("IMAGETYP", "LIGHT")], []])
@pytest.mark.parametrize("folder", FOCUS_FOLDERS)
def test_a_single_frame_of_a_focus_folder_is_a_focus_frame(folder, cards):
    """Guards totals from a planet focused on, however the folder is spelled, one frame enough."""
    found, _ = kind_of(*cards, path=("night", folder, "a1.fits"), target="Jupiter", exposure_s=5.0)
    assert found.kind is Kind.FOCUS
    assert found.source.startswith("folder name")


@pytest.mark.parametrize("cards", [[("IMAGETYP", "LIGHT")], []])
@pytest.mark.parametrize("folder", NO_FOCUS_FOLDERS)
def test_a_light_keeps_its_hours_in_a_folder_that_speaks_of_focus(folder, cards):
    """Guards short lights a person sorted by how sharp they are, and stars called AF."""
    found, _ = kind_of(*cards, path=("night", folder, "a1.fits"), exposure_s=30.0)
    assert found.kind is Kind.LIGHT


def test_folders_of_numbers_and_filters_are_looked_through():
    """Guards "focus/run 3/x.fits", and lights of a target's own folder below."""
    light = ("IMAGETYP", "LIGHT")
    for path in (("focus", "run 3", "a.fits"), ("AF", "Ha", "a.fits")):
        assert kind_of(light, path=path, exposure_s=5.0)[0].kind is Kind.FOCUS
    for path in (("focus", "lights", "a.fits"), ("AF", "Andromeda", "a.fits")):
        assert kind_of(light, path=path, exposure_s=5.0)[0].kind is Kind.LIGHT
    assert kind_of(light, path=("focus 3", "a.fits"), exposure_s=300.0)[0].kind is Kind.LIGHT


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("AF_012.fits", Kind.FOCUS),
        ("#AF_1.fits", Kind.FOCUS),
        ("_AF_03.fits", Kind.FOCUS),
        ("-focus.fits", Kind.FOCUS),
        ("focus 3.fits", Kind.FOCUS),
        ("Focus_L_003.fits.gz", Kind.FOCUS),
        ("AF And_001.fits", Kind.LIGHT),
        ("M31_AF_012.fits", Kind.LIGHT),
        ("M31_focus_ok_001.fits", Kind.LIGHT),
        ("focus_ok_M31.fits", Kind.LIGHT),
        ("M31_in_focus_1.fits", Kind.LIGHT),
    ],
)
def test_a_file_name_tells_a_focus_frame(name, kind):
    """Guards the same by the file's own name."""
    assert kind_of(("IMAGETYP", "LIGHT"), path=("n", name), exposure_s=5.0)[0].kind is kind


@pytest.mark.parametrize(
    ("target", "kind"),
    [
        ("DARK", Kind.DARK),
        ("Dark 300s", Kind.DARK),
        ("bias_001", Kind.BIAS),
        ("dome flat R", Kind.FLAT),
        ("Flat", Kind.FLAT),
        ("dark flat", Kind.FLAT_DARK),
        ("LAMP", Kind.OTHER),
    ],
)
def test_a_target_called_dark_is_asked_about_or_believed(target, kind):
    """Guards a calibration frame among lights: asked where a card says light, else believed."""
    found, codes = kind_of(("IMAGETYP", "LIGHT"), target=target)
    assert (found.kind, codes) == (Kind.LIGHT, {"kind-target"})
    found, codes = kind_of(target=target)
    assert (found.kind, found.source) == (kind, f"header: the target is called {target}")
    assert not codes


@pytest.mark.parametrize("target", ["Dark Horse", "B33 dark", "M 31 flat", "Flat Rock", "LDN 1"])
def test_an_object_with_such_a_word_is_an_object(target):
    """Guards dark nebulae and objects with more words."""
    assert kind_of(target=target) == ((Kind.LIGHT, ASSUMED, None), set())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("M31_Light_300s-10C", ("m", "31", "light", "300", "s", "10", "c")),
        ("FlatDark", ("flat", "dark")),
        ("DARKFLAT_0001", ("darkflat", "0001")),
        ("LDN1235", ("ldn", "1235")),
        ("", ()),
    ],
)
def test_names_are_split_into_words(text, words):
    """Guards the word-wise reading of names."""
    assert split_words(text) == words


# --- against the run ------------------------------------------------------------------------------

LIGHT = AuxCandidate(300.0, 1, 6000, 4000, 12000.0)


def short(exposure_s=30.0, binning=1, focus_pos=12000.0, width=6000, height=4000):
    """Make a frame that differs from the run's lights; the size is given unbinned."""
    return AuxCandidate(exposure_s, binning, width // binning, height // binning, focus_pos)


def test_a_binned_solve_frame_is_told_from_the_lights():
    """Guards the reason in words, and that only the odd frame is named."""
    frames = [short(2.0, 2), *[LIGHT] * 10, short(2.0, 2), *[LIGHT] * 10]
    reasons = auxiliary_reasons(frames)
    assert set(reasons) == {0, 11}
    assert reasons[0] == "2 s at bin 2 while the run's lights are 300 s at bin 1"


def test_many_binned_solve_frames_are_still_told():
    """Guards a night with a solve frame after every target and flip."""
    frames = [frame for _ in range(12) for frame in (short(4.0, 4), LIGHT, LIGHT)]
    assert set(auxiliary_reasons(frames)) == set(range(0, 36, 3))


def test_a_cropped_focus_frame_is_told():
    """Guards focus frames read out from the middle of the sensor."""
    reasons = auxiliary_reasons([*[LIGHT] * 5, short(3.0, width=1000, height=1000)])
    assert reasons == {5: "3 s on 4% of the sensor while the run's lights are 300 s at bin 1"}


def test_a_lone_short_frame_is_told():
    """Guards a centring exposure at full frame, which only its length gives away."""
    assert auxiliary_reasons([short(5.0), *[LIGHT] * 5]) == {
        0: "5 s, taken 1 time, while the run's lights are 300 s"
    }


def test_a_stepping_focuser_is_told():
    """Guards a focus run at full frame and in the lights' own binning."""
    scan = [short(4.0, focus_pos=11700.0 + 100 * step) for step in range(7)]
    reasons = auxiliary_reasons([*[LIGHT] * 4, *scan, *[LIGHT] * 4])
    assert set(reasons) == set(range(4, 11))
    assert reasons[4] == "the focuser steps from frame to frame over 7 frames of 4 s"


def test_a_focus_scan_of_two_passes_is_told():
    """Guards a scan that comes back over its own positions."""
    positions = [12000, 12080, 12160, 12080, 12000, 11920, 11840]
    scan = [short(6.0, focus_pos=float(p)) for p in positions]
    assert set(auxiliary_reasons([*[LIGHT] * 4, *scan])) == set(range(4, 11))


@pytest.mark.parametrize(
    "extra",
    [
        [short(30.0)] * 10,  # star colours
        [short(5.0)] * 5,  # a length five times at rest is a set
        [short(10.0)] * 3,  # three in a row: the short end of a high-range set
        [short(60.0, 2)] * 20,  # binned colour to unbinned luminance
        [short(120.0, 2)],  # too long to have served focusing
        [short(100.0)],
        [short(30.0, focus_pos=12000.0 + n) for n in range(8)],  # temperature compensation
    ],
)
def test_legitimate_short_frames_are_never_named(extra):
    """Guards short exposure sets from being swallowed as focus frames."""
    assert auxiliary_reasons([*[LIGHT] * 20, *extra]) == {}


def test_interleaved_lengths_are_sets():
    """Guards high-range sets taken long, short, long, short."""
    frames = [frame for _ in range(6) for frame in (LIGHT, short(30.0), short(5.0))]
    assert auxiliary_reasons(frames) == {}


def test_short_lights_stepping_like_the_long_ones_stay():
    """Guards star exposures on a rig whose focuser follows the temperature before every frame."""
    positions = [12000.0 + 7 * n for n in range(20)]
    long = [AuxCandidate(300.0, 1, 6000, 4000, position) for position in positions]
    stars = [short(30.0, focus_pos=12140.0 + 7 * n) for n in range(8)]
    assert auxiliary_reasons([*long, *stars]) == {}


def test_a_run_of_short_lights_with_a_drifting_focuser_stays():
    """Guards a night of 30 s frames whose focuser follows the temperature by uneven steps."""
    steps = [6, 9, 5, 12, 7, 5, 11, 6, 8, 14]
    frames = [short(30.0, focus_pos=12000.0 + sum(steps[:n])) for n in range(10)]
    assert auxiliary_reasons(frames) == {}


def test_a_night_of_nothing_but_focus_runs():
    """Guards a clouded-out night: a focus run alone is still no light."""
    scan = [short(4.0, focus_pos=11700.0 + 100 * step) for step in range(7)]
    assert set(auxiliary_reasons(scan)) == set(range(7))


def test_nothing_is_said_without_lengths():
    """Guards frames without an exposure time, and an empty run."""
    assert auxiliary_reasons([]) == {}
    assert (
        auxiliary_reasons([AuxCandidate(None, 1, 100, 100), AuxCandidate(0.0, 1, 100, 100)]) == {}
    )


CANDIDATES = st.builds(
    AuxCandidate,
    st.one_of(st.none(), st.floats(0, 1e4)),
    st.integers(1, 4),
    st.integers(1, 9000),
    st.integers(1, 9000),
    st.one_of(st.none(), st.floats(0, 1e5)),
)


@given(st.lists(CANDIDATES, max_size=25))
def test_long_frames_are_never_named(frames):
    """Guards the law that no frame over a minute is taken for a focus frame."""
    for i in auxiliary_reasons(frames):
        assert frames[i].exposure_s <= 60.0
