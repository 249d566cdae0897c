"""What is the camera's own and what is a fault: the same rows in other frames, nights, darks."""

import json

import pytest

from runlog.core.sensor.own_pattern import (
    DARK,
    Line,
    Looked,
    bands_of_lines,
    census_of,
    first_seen_by,
    own_by,
    own_of,
    pattern_of,
)
from runlog.core.sensor.row_faults import (
    BORDER_SHARE,
    BORDERS_DIFFER,
    company_of,
    findings,
    suspicion,
)
from runlog.core.sensor.signs import (
    Band,
    Break,
    Signs,
    Slip,
    Stretch,
    bands_of,
    pack_signs,
    standing_out,
    unpack_signs,
)
from runlog.core.sensor.words import bands_named, columns_beside, defects_in_words, own_in_words

HEIGHT = 1000


def band(first, last, sigma=3.0):
    """Make the signs of one band."""
    return Signs(rows=(Break(first, 12 * sigma, sigma), Break(last + 1, -12 * sigma, -sigma)))


DEAD = band(500, 507, -9.0)
CLEAN = Signs()


def judged(frames, *, elsewhere=(), others=0, night="2026-10-09"):
    """Judge the frames of one night, some nights' patterns elsewhere known."""
    seen = [Looked(i, signs) for i, signs in enumerate(frames) if signs]
    own = pattern_of(night, "raw", len(frames), seen)
    company = company_of(HEIGHT, len(frames), seen, others, own_of([own, *elsewhere], night))
    found = findings(seen, company)
    return [found.get(i) for i in range(len(frames))]


def pattern(night, signs, frames=10, source="raw"):
    """Give the pattern of a night all of whose frames show the same."""
    return pattern_of(night, source, frames, [Looked(i, signs) for i in range(frames)])


def both(*signs):
    """Put the signs of one frame together."""
    return Signs(rows=tuple(sorted((b for s in signs for b in s.rows), key=lambda b: b.at)))


def test_a_band_that_no_other_frame_has_is_a_fault():
    """One frame of a night with bands is named, with rows, ADU and strength."""
    found = judged([CLEAN] * 9 + [band(300, 329)])
    assert found[9].fault == (
        "rows 300 to 329 stand 36 ADU above their neighbours, 3.0 times the noise, "
        "not so in the camera's other frames"
    )


def test_rows_of_every_frame_of_one_night_are_unknown():
    """Dead rows in a night alone reject nothing: camera or cable cannot be told."""
    found = judged([DEAD] * 10)
    assert all(f.fault is None for f in found)
    assert all("camera or the cable" in f.doubt for f in found)


@pytest.mark.parametrize(
    "elsewhere", [pattern("2026-09-01", DEAD), pattern("2026-10-09", DEAD, 3, DARK)]
)
def test_rows_seen_on_two_nights_or_in_darks_are_the_cameras_own(elsewhere):
    """The same rows in another night, or in darks of the same one, are nothing to be told."""
    found = judged([DEAD] * 10, elsewhere=[elsewhere], others=10)
    assert all((f.fault, f.doubt) == (None, None) for f in found)


def test_a_fault_shows_beside_the_cameras_own_rows():
    """A frame with dead rows and a band besides is named for the band only."""
    frames = [DEAD] * 9 + [both(DEAD, band(300, 329))]
    found = judged(frames, elsewhere=[pattern("2026-09-01", DEAD)], others=10)
    assert [f.fault is not None for f in found] == [False] * 9 + [True]
    assert "rows 300 to 329" in found[9].fault
    assert "500" not in found[9].fault


def test_a_single_frame_is_unknown():
    """Without any other frame of the camera nothing is a fault, and the words say so."""
    (found,) = judged([band(300, 329)])
    assert found.fault is None
    assert "no other frame of this camera" in found.doubt
    assert suspicion(band(300, 329), HEIGHT) == found.doubt


def test_two_frames_tell_which_has_it():
    """Of two frames the one with a band is named, the other is not."""
    with_band, clean = judged([band(300, 329), CLEAN])
    assert with_band.fault is not None
    assert clean is None


def test_other_bands_in_each_frame_are_faults_and_worded_so():
    """Random bands all night are not the same in other frames; the words leave the cable open."""
    found = judged([band(100 + 40 * i, 110 + 40 * i) for i in range(10)])
    assert all(f.fault.endswith("camera or cable") for f in found)


def test_two_frames_of_many_with_one_fault_do_not_excuse_each_other():
    """The same half lost in three of twelve frames is a fault in each."""
    half = Signs(blank=(Stretch(500, 999),))
    found = judged([CLEAN] * 9 + [half] * 3)
    assert [f.fault for f in found[9:]] == [
        "50% of the rows hold no picture (rows 500 to 999), not so in the camera's other frames"
    ] * 3


def test_a_seam_in_the_same_place_hides_no_other_kind_of_fault():
    """A half that repeats the other one is a fault though the camera has a seam there."""
    seam = Signs(rows=(Break(500, 90.0, 8.0),))
    broken = Signs(rows=seam.rows, repeated=(Stretch(500, 999, 0),))
    found = judged([seam] * 9 + [broken], elsewhere=[pattern("2026-09-01", seam)], others=10)
    assert [f.fault is not None for f in found] == [False] * 9 + [True]
    assert "500 rows repeat other rows" in found[9].fault


def test_displaced_rows_are_a_fault():
    """Rows that slipped in one frame are named with the row and by how much."""
    found = judged([CLEAN] * 5 + [Signs(slips=(Slip(320, -25),))])
    assert "from row 320 on the picture is displaced by 25 px" in found[5].fault


@pytest.mark.parametrize(
    "signs",
    [
        band(0, 3, 20.0),  # ramps and overscan at the edge
        Signs(rows=(Break(990, -90.0, -8.0),)),
        band(300, 329, 0.25),  # too weak to do harm
        Signs(rows=(Break(512, 5.0, 0.4),)),  # a slight step that stays
        band(300, 302, 8.0),  # may be a trail along the rows
        Signs(blank=(Stretch(0, 29),)),  # the border that registering leaves
    ],
)
def test_what_harms_nothing_is_no_fault(signs):
    """Edges, slight steps, a trail along a row and blank borders name no frame."""
    found = judged([CLEAN] * 9 + [signs])[9]
    assert (found.fault, found.doubt) == (None, None)


def test_blank_borders_of_a_registered_night_are_no_fault():
    """Frames registered without saying so have blank borders of all sizes."""
    frames = [Signs(blank=(Stretch(0, 20 + 15 * i),)) for i in range(8)] + [CLEAN] * 4
    assert not any(f and f.fault for f in judged(frames))


def test_order_does_not_matter():
    """Neither the order of frames nor that of nights changes an answer."""
    nights = [pattern("2026-09-01", DEAD), pattern("2026-09-02", band(80, 90))]
    frames = [both(DEAD, band(80, 90)), DEAD, CLEAN, band(300, 340)]
    ahead = judged(frames, elsewhere=nights, others=20)
    back = judged(frames[::-1], elsewhere=nights[::-1], others=20)[::-1]
    assert ahead == back


def test_the_cameras_own_lines_are_counted():
    """Eight dead rows, seven at the edge, a seam and two columns are told with their numbers."""
    columns = (Break(400, -9, -9.0), Break(401, 9, 9.0), Break(640, 9, 5.0), Break(641, -9, -5.0))
    signs = Signs(
        rows=(*DEAD.rows, Break(700, 90.0, 8.0), Break(993, -90.0, -8.0)), columns=columns
    )
    own = own_of([pattern("2026-09-01", signs), pattern("2026-09-05", signs)])
    rows, cols = bands_of_lines(own.rows), bands_of_lines(own.columns)
    assert defects_in_words(rows, cols, HEIGHT, 1280) == "15 rows, a seam at row 700, 2 columns"


def test_signs_survive_storage():
    """What is stored as JSON comes back as it was."""
    signs = Signs(
        rows=DEAD.rows,
        columns=(Break(7, 1.5, 0.25),),
        blank=(Stretch(1, 4),),
        repeated=(Stretch(9, 9, 8),),
        slips=(Slip(320, -25),),
    )
    assert unpack_signs(json.loads(json.dumps(pack_signs(signs)))) == signs
    assert pack_signs(Signs()) == {}


def test_jumps_that_undo_each_other_are_one_band():
    """A jump and the jump back are a band; one that is not undone stays a step."""
    breaks = [Break(100, 30, 3.0), Break(140, -28, -2.8), Break(600, -50, -5.0)]
    assert [(b.first, b.last) for b in bands_of(breaks)] == [(100, 139), (600, None)]


def test_one_further_jump_is_told():
    """Two bands in one frame are both told, the second with its place."""
    found = judged([CLEAN] * 9 + [both(band(100, 103, 5.0), band(300, 304))])[9]
    assert "rows 100 to 103 stand" in found.fault
    assert "one more jump of level at row 300" in found.fault
    three = judged([CLEAN] * 9 + [both(band(100, 103, 5.0), band(300, 304), band(400, 404))])[9]
    assert "; 2 more jumps of level" in three.fault


def test_the_rest_stands_out_where_a_band_covers_more_than_half():
    """All rows but a few at the edges are the picture, and what is left at the edges its edge."""
    assert judged([band(6, HEIGHT - 8, -0.5)])[0].doubt is None
    assert judged([CLEAN] * 9 + [band(6, HEIGHT - 8, -0.5)])[9].fault is None
    assert judged([band(6, HEIGHT - 42, -0.5)])[0].doubt is None
    found = judged([CLEAN] * 9 + [band(100, 899, -3.0)])[9]
    assert found.fault.startswith("from row 100 on the level is 36 ADU lower")
    assert "one more jump of level at row 900" in found.fault
    steps = [Band(100, None, -36.0, -3.0), Band(900, None, 36.0, 3.0)]
    assert standing_out(bands_of(band(100, 899, -3.0).rows), HEIGHT) == steps
    assert standing_out(bands_of(band(100, 499).rows), HEIGHT) == bands_of(band(100, 499).rows)


@pytest.mark.parametrize(
    ("jump_adu", "words"),
    [(3.21e-19, "3.21e-19 ADU"), (0.0042, "0.0042 ADU"), (36.0, "36 ADU"), (12345.6, "12346 ADU")],
)
def test_levels_have_digits_whatever_their_size(jump_adu, words):
    """Floats in physical units are told with digits, from storage as well."""
    signs = Signs(rows=(Break(300, jump_adu, 3.0), Break(330, -jump_adu, -3.0)))
    kept = unpack_signs(json.loads(json.dumps(pack_signs(signs))))
    assert f"stand {words} above" in suspicion(kept, HEIGHT)


COLUMN = (Break(240, 9.0, 5.0), Break(241, -9.0, -5.0))


def test_columns_of_every_frame_are_told_with_the_rows():
    """A hot column of each frame is unknown as the dead rows are; a bright star's is not told."""
    hot = Signs(rows=DEAD.rows, columns=COLUMN)
    star = Signs(rows=DEAD.rows, columns=(*COLUMN, Break(700, 20.0, 8.0), Break(702, -20, -8.0)))
    found = judged([hot] * 9 + [star])
    assert all("; column 240 stands apart as well: so in nearly every" in f.doubt for f in found)
    known = judged([hot] * 10, elsewhere=[pattern("2026-09-01", Signs(columns=COLUMN))], others=10)
    assert not any("column" in f.doubt for f in known)


def test_the_cameras_own_is_told_in_full_on_the_first_night_that_shows_it():
    """What an earlier night shows is only counted; whatever the order of scans."""
    hot = Signs(rows=DEAD.rows, columns=COLUMN)
    patterns = [pattern("2026-09-01", DEAD), pattern("2026-09-05", hot),
                pattern("2026-09-07", hot), pattern("2026-08-20", DEAD, 3, DARK)]  # fmt: skip
    for order in (patterns, patterns[::-1]):
        census = census_of(order)
        new = {
            night: first_seen_by(census, own_by(census), night)
            for night in ("2026-09-01", "2026-09-05", "2026-09-07")
        }
        assert [len(p.rows) for p in new.values()] == [2, 0, 0]
        assert [len(p.columns) for p in new.values()] == [0, 2, 0]
    assert own_in_words("8 rows", "") == "the camera's own: 8 rows"


def test_places_are_named_and_many_are_counted():
    """Four places are named; of more the number is told."""
    rows = [Break(at, sign * 9.0, sign * 5.0) for k in range(7)
            for at, sign in ((40 * k, 1), (40 * k + 1, -1))]  # fmt: skip
    assert bands_named(bands_of(rows[:4]), "row") == "row 0 and row 40"
    assert bands_named(bands_of(rows), "row").endswith("row 120 and 3 more")
    assert bands_named(bands_of([Break(700, 9.0, 5.0)]), "row") == "the level from row 700 on"


def edge(rows, sigma=20.0):
    """Make the signs of an unlit edge at the first rows."""
    return Signs(rows=(Break(rows, 12 * sigma, sigma),))


def test_an_edge_that_moves_is_the_cameras_own():
    """Where nearly every frame has an unlit edge, how deep it is differs with light and flexure."""
    found = judged([edge(rows) for rows in (40, 44, 38, 47, 42)])
    assert all((f.fault, f.doubt) == (None, None) for f in found)
    alone = judged([CLEAN] * 9 + [edge(42)])
    assert "from row 42 on the level is" in alone[9].fault


def test_a_band_shows_behind_an_edge_that_moves():
    """What lies farther in than the edge is judged as ever."""
    frames = [edge(rows) for rows in (40, 44, 38, 47)] + [both(edge(42), band(90, 119))]
    found = judged(frames)
    assert [f.fault is not None for f in found] == [False] * 4 + [True]
    assert "rows 90 to 119" in found[4].fault


def test_a_blank_edge_parted_by_a_cosmic_ray_is_an_edge():
    """A row that is not quite blank does not make lost rows of those behind it."""
    whole, parted = (
        Signs(blank=(Stretch(0, 16),)),
        Signs(blank=(Stretch(0, 11), Stretch(13, 16))),
    )
    assert not any(f.fault or f.doubt for f in judged([whole] * 5 + [parted]))
    assert suspicion(parted, HEIGHT) is None
    lost = judged([whole] * 5 + [Signs(blank=(Stretch(0, 16), Stretch(300, 304)))])[5]
    assert "hold no picture" in lost.fault


def test_a_half_is_lost_though_every_frame_has_a_blank_edge():
    """A blank border as the others have it does not excuse one many times as wide."""
    frames = [Signs(blank=(Stretch(0, 16),))] * 9 + [Signs(blank=(Stretch(500, 999),))]
    found = judged(frames)
    assert [f.fault is not None for f in found] == [False] * 9 + [True]


def test_a_trail_among_weak_jumps_is_still_alone():
    """Jumps too weak to do harm do not turn a possible trail into a fault."""
    frame = both(band(300, 302, 8.0), band(500, 500, 0.4), band(700, 720, 0.25))
    assert judged([CLEAN] * 9 + [frame])[9].fault is None
    assert judged([CLEAN] * 9 + [both(frame, band(800, 803, 0.5))])[9].fault is not None


@pytest.mark.parametrize(
    ("signs", "words"),
    [
        (Signs(slips=(Slip(320, -25),)), "from row 320 on the picture is displaced by 25 px"),
        (Signs(repeated=(Stretch(500, 599, 0),)), "100 rows repeat other rows"),
        (Signs(blank=(Stretch(400, 999),)), "60% of the rows hold no picture"),
    ],
    ids=["slip", "copy", "blank"],
)
def test_what_a_camera_always_does_is_its_own_whatever_it_is(signs, words):
    """The same slip, copy or blank part in all frames of two nights is the camera's; in one frame
    alone it is a fault."""
    elsewhere = [pattern("2026-09-01", signs)]
    assert not any(f and f.fault for f in judged([signs] * 10, elsewhere=elsewhere, others=10))
    found = judged([CLEAN] * 9 + [signs])
    assert words in found[9].fault


@pytest.mark.parametrize(
    ("usual", "moved"),
    [
        (Signs(slips=(Slip(320, -25),)), Signs(slips=(Slip(322, -25),))),
        (Signs(repeated=(Stretch(500, 599, 0),)), Signs(repeated=(Stretch(498, 599, 0),))),
        (Signs(repeated=(Stretch(500, 599, 0),)), Signs(repeated=(Stretch(500, 601, 0),))),
    ],
    ids=["slip", "begins elsewhere", "ends elsewhere"],
)
def test_two_rows_further_on_it_is_not_the_cameras(usual, moved):
    """A place is the same within a pixel, where it begins and where it ends."""
    elsewhere = [pattern("2026-09-01", usual)]
    found = judged([usual] * 9 + [moved], elsewhere=elsewhere, others=10)
    assert [bool(f and f.fault) for f in found] == [False] * 9 + [True]


def test_lines_of_a_pattern_are_named_as_bands():
    """Blank lines come in pairs, the first row and the row after the last; jumps by their sense."""
    lines = [Line(100, 0.0, "blank"), Line(120, 0.0, "blank"), Line(500, -9.0, "jump"),
             Line(508, 9.0, "jump")]  # fmt: skip
    assert [(b.first, b.last) for b in bands_of_lines(lines)] == [(500, 507), (100, 119)]
    assert [b.jump_sigma for b in bands_of_lines(lines)] == [-9.0, 0.0]


def test_seams_and_single_columns_are_named_as_what_they_are():
    """Guards one and many: a seam, two seams, a column that stands, columns that stand."""
    one, two = Break(300, 90.0, 8.0), Break(700, 80.0, 7.0)
    assert defects_in_words(bands_of([one]), [], HEIGHT, 1280) == "a seam at row 300"
    assert defects_in_words(bands_of([one, two]), [], HEIGHT, 1280) == "seams at row 300 and 700"
    assert columns_beside([]) == ""
    assert columns_beside(bands_of(COLUMN)) == "; column 240 stands apart as well"
    pair = bands_of([*COLUMN, Break(300, 9.0, 5.0), Break(301, -9.0, -5.0)])
    assert columns_beside(pair) == "; column 240 and column 300 stand apart as well"


def test_blank_stretches_of_a_pattern_are_bands():
    """Guards two stretches that no frame of the camera fills: each ends before its second line."""
    lines = [Line(at, 0.0, "blank") for at in (10, 20, 50, 60)]
    assert [(b.first, b.last) for b in bands_of_lines(lines)] == [(10, 19), (50, 59)]


@pytest.mark.parametrize(
    ("first", "last", "words"),
    [
        (500, 500, "row 500 holds no picture"),
        (500, 503, "4 rows hold no picture (rows 500 to 503)"),
        (500, 749, "25% of the rows hold no picture (rows 500 to 749)"),
    ],
)
def test_rows_without_a_picture_are_counted(first, last, words):
    """Guards against "0% of the rows": a few of many are counted, more are a share."""
    assert words in suspicion(Signs(blank=(Stretch(first, last),)), HEIGHT)


@pytest.mark.parametrize(("blank", "deep"), [(0, 0.0), (1, 0.0), (2, 30.0), (3, 30.0)])
def test_two_frames_of_three_show_what_registering_leaves(blank, deep):
    """Guards the blank edge that is usual: one frame alone may have lost its rows."""
    lost = Signs(blank=(Stretch(0, 29),))
    seen = [Looked(n, lost) for n in range(blank)]
    usual = company_of(HEIGHT, 3, seen, 0, own_of([], "2026-10-09")).margins.blank
    assert usual == pytest.approx(BORDER_SHARE * HEIGHT + BORDERS_DIFFER * deep)
