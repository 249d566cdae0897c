"""A person merges, splits, renames targets, undoes it, and is asked what the rules cannot know."""

import pytest

from tests.tools import here, noise, runlog_json, write_frame

pytestmark = pytest.mark.both_databases


@pytest.fixture(autouse=True)
def in_this_process(monkeypatch):
    """Read the few frames here: starting workers for each test would take a minute."""
    monkeypatch.setattr("runlog.actions.scan.FEW", 100)


class Archive:
    """Frames written one by one, each ten minutes after the last."""

    def __init__(self, home):
        self.home, self.count = home, 0

    def light(self, target, frames=1, **cards):
        """Write lights of a target."""
        for _ in range(frames):
            minutes = 18 * 60 + 10 * self.count
            self.count += 1
            day, rest = divmod(minutes, 24 * 60)
            start = f"2026-10-{9 + day:02d}T{rest // 60:02d}:{rest % 60:02d}:00"
            path = self.home / "frames" / f"f{self.count:03d}.fits"
            write_frame(path, noise(self.count), **{"OBJECT": target, "DATE__OBS": start} | cards)
        return self

    def scan(self):
        """Scan what was written."""
        assert here(self.home, "scan", self.home / "frames").returncode == 0

    def say(self, *words, code=0):
        """Run `runlog targets ...`; returns what it says to the person."""
        done = here(self.home, "targets", *words)
        assert done.returncode == code, done.stderr
        return done.stderr

    def lines(self):
        """List targets as JSON, by name."""
        return {row["target"]: row for row in runlog_json(self.home, "targets")["rows"]}

    def hours(self):
        """Give frames by target."""
        rows = runlog_json(self.home, "totals")["rows"]
        return {row["target"]: row["frames"] for row in rows}


@pytest.fixture
def archive(tmp_path, database):
    """Give an empty archive."""
    return Archive(tmp_path)


M33 = {"OBJCTRA": "01 33 51", "OBJCTDEC": "+30 39 37"}  # OpenNGC
M31 = {"OBJCTRA": "00 42 44", "OBJCTDEC": "+41 16 09"}


def test_merge_and_undo(archive):
    """A merged name counts for the other, frames still to come too; undone, it stands alone."""
    archive.light("Home field", 2).light("M33", 1).scan()
    archive.say("merge", "Home field", "Triangulum Galaxy")
    assert archive.hours() == {"M 33": 3}
    archive.light("Home field", 1).scan()
    assert archive.hours() == {"M 33": 4}
    archive.say("undo")
    assert archive.hours() == {"Home field": 3, "M 33": 1}
    archive.say("undo", "2")  # the undoing undone
    assert archive.hours() == {"M 33": 4}


def test_rename(archive):
    """A target keeps its frames under another name, and is found under the old one too."""
    archive.light("M31", 2).light("M33").scan()
    archive.say("rename", "M 31", "Great Spiral")
    assert archive.hours() == {"Great Spiral": 2, "M 33": 1}
    found = runlog_json(archive.home, "frames", "--target", "NGC 224")["rows"]
    assert len(found) == 2
    assert runlog_json(archive.home, "totals", "--target", "Andromeda")["rows"][0]["frames"] == 2


def test_a_new_name_of_a_known_object_is_that_object(archive):
    """A nameless field renamed to NGC 224 is M 31, not a second galaxy."""
    archive.light("Home field").light("M33").scan()
    archive.say("rename", "Home field", "ngc224")
    assert archive.hours() == {"M 31": 1, "M 33": 1}
    assert "There is a target M 33" in archive.say("rename", "M 31", "NGC 598", code=2)


def test_a_nickname_of_another_object_is_refused(archive):
    """M 33, called Pinwheel by many, does not become M 101 unasked."""
    archive.light("M33").scan()
    assert "a name of M 101, another object than M 33" in archive.say(
        "rename", "M 33", "Pinwheel", code=2
    )
    assert archive.hours() == {"M 33": 1}


def test_split(archive):
    """One spelling of a target becomes a target of its own, in later scans as well."""
    archive.light("M31", 2).light("M31_wide_L", 1).light("M31_L", 1).scan()
    assert archive.hours() == {"M 31": 3, "M 31 wide": 1}
    archive.say("split", "M31_L", "M 31 lucky")
    archive.light("M31_L", 1).scan()
    assert archive.hours() == {"M 31": 2, "M 31 wide": 1, "M 31 lucky": 2}
    archive.say("undo")
    assert archive.hours() == {"M 31": 4, "M 31 wide": 1}


def test_a_mosaic_follows_its_name(archive):
    """Panels of a merged mosaic stay apart from each other."""
    archive.light("My nebula_Panel1").light("My nebula_Panel2").light("NGC7000").scan()
    archive.say("merge", "My nebula", "NGC 7000")
    assert archive.hours() == {"NGC 7000": 1, "NGC 7000 panel 1": 1, "NGC 7000 panel 2": 1}


def test_goals_follow_a_merge(archive):
    """A goal set under the old name holds for the new one; one set there already outranks it."""
    archive.light("Home field").light("M33").scan()
    here(archive.home, "goal", "Home field", "L", "5")
    archive.say("merge", "Home field", "M33")
    (row,) = runlog_json(archive.home, "totals")["rows"]
    assert (row["target"], row["goal_s"]) == ("M 33", 5 * 3600)
    here(archive.home, "goal", "M33", "L", "2")
    (row,) = runlog_json(archive.home, "totals")["rows"]
    assert row["goal_s"] == 2 * 3600


def test_a_correction_follows_a_merge(archive):
    """A corrected name is merged like a header's."""
    archive.light("M33").light("nonsense").scan()
    here(archive.home, "correct", "target", "Home field", "--target", "nonsense")
    archive.say("merge", "Home field", "M33")
    assert archive.hours() == {"M 33": 2}
    archive.say("undo")
    assert archive.hours() == {"M 33": 1, "Home field": 1}


# --- places ---------------------------------------------------------------------------------


def test_frames_without_a_name(archive):
    """What a frame points at names it; without coordinates it stays without a name and is asked."""
    archive.light(None, 2, **M33).light("M33", 1, **M33).light("", 1).scan()
    assert archive.hours() == {"M 33": 3, "(no name)": 1}
    assert "runlog correct target" in archive.lines()["(no name)"]["questions"][0]


def test_places_without_an_object_stay_apart(archive):
    """Two nameless places are two targets."""
    nowhere = {"OBJCTRA": "00 00 00", "OBJCTDEC": "+20 00 00"}
    elsewhere = {"OBJCTRA": "00 00 00", "OBJCTDEC": "+24 00 00"}
    archive.light(None, 1, **nowhere).light(None, 1, **elsewhere).scan()
    assert archive.hours() == {"J0000+2000": 1, "J0000+2400": 1}


# --- questions ------------------------------------------------------------------------------


def questions(archive, target):
    """Give what is asked about a target, as one text."""
    return " ".join(archive.lines()[target]["questions"])


def test_slips_are_asked_about(archive):
    """A slip that was read as an object says so."""
    archive.light("NCG 7000").light("NGC 7000").scan()
    assert archive.hours() == {"NGC 7000": 2}
    assert 'runlog targets split "NCG 7000"' in questions(archive, "NGC 7000")


def test_more_words_are_asked_about(archive):
    """A name with more words is not merged by itself; kept apart by the person, it is settled."""
    archive.light("M 33 west").light("M33").scan()
    assert 'merge "M 33 west" "M 33"' in questions(archive, "M 33 west")
    archive.say("keep", "M 33 west")
    assert archive.lines()["M 33 west"]["questions"] == []
    assert archive.hours() == {"M 33": 1, "M 33 west": 1}


def test_spellings_that_differ_in_case_are_asked_about(archive):
    """Two ways to write an unknown name are not put together silently."""
    archive.light("Home field").light("HOME FIELD").scan()
    assert set(archive.hours()) == {"Home field", "HOME FIELD"}
    assert 'merge "HOME FIELD" "Home field"' in questions(archive, "HOME FIELD")


def test_names_that_differ_by_a_number_are_two_things(archive):
    """Tiles of a survey, asteroids and standard fields are no spellings of one another."""
    pairs = [("07801", "07802"), ("2021 SO2", "2021 SO3"), ("S82_01", "S82_02")]
    for a, b in pairs:
        archive.light(a, **M33).light(b, **M33)
    archive.light("DECaLS_25440_z", FILTER="z DECam SDSS c0004 9260.0 1520.0")
    archive.light("DECaLS_25440_r", FILTER="r DECam SDSS c0002 6415.0 1480.0").scan()
    asked = {name: " ".join(line["questions"]) for name, line in archive.lines().items()}
    assert not any("Another spelling" in said for said in asked.values())
    for a, b in pairs:
        assert f'"{a}" "{b}"' not in " ".join(asked.values())
    assert archive.lines()["DECaLS 25440"]["frames"] == 2


def test_two_names_at_one_place_are_asked_about(archive):
    """An unknown name that points where a known object is."""
    archive.light("Home field", 2, **M33).light("M33", 2, **M33).scan()
    assert 'merge "Home field" "M 33"' in questions(archive, "Home field")
    assert archive.lines()["M 33"]["questions"] == []


def test_one_name_at_two_places_is_asked_about(archive):
    """A mosaic without panels in its names."""
    archive.light("M33", 3, **M33)
    archive.light("M33", 3, OBJCTRA="01 33 51", OBJCTDEC="+29 39 37").scan()
    assert "2 places, 1.0 degrees apart" in questions(archive, "M 33")


def test_a_name_far_from_its_object_is_asked_about(archive):
    """M 33 in the header, M 31 in the picture: 15 degrees apart."""
    archive.light("M33", 3, **M31).scan()
    assert "15 degrees away from M 33" in questions(archive, "M 33")


def test_clear_names_are_not_asked_about(archive):
    """No question where there is no doubt."""
    archive.light("M33", 2, **M33).light("NGC598_Ha", 1, **M33).light("M31", 1, **M31).scan()
    assert [line["questions"] for line in archive.lines().values()] == [[], []]
    assert [s["frames"] for s in archive.lines()["M 33"]["spellings"]] == [2, 1]


# --- frames without a name ------------------------------------------------------------------

EMPTY_SKY = "05 00 05"  # no object of OpenNGC is within a quarter of this rig's field


def dithered(archive, numbers):
    """Write nameless lights whose declinations cross a full arcminute to and fro."""
    for n in numbers:
        archive.count = n
        seconds = 55 if n % 2 else 5  # 30 19 55, 30 20 05
        minutes = 19 if n % 2 else 20
        archive.light(None, OBJCTRA=EMPTY_SKY, OBJCTDEC=f"+30 {minutes} {seconds:02d}",
                      FOCALLEN=135.0)  # fmt: skip


@pytest.mark.parametrize("batches", [[range(6)], [[5, 4, 3], [0, 1, 2]], [[1, 3, 5], [0, 2, 4]]])
def test_nameless_dithers_are_one_target(archive, batches):
    """The first frame by date names the place, whatever order the nights are scanned in."""
    for numbers in batches:
        dithered(archive, numbers)
        archive.scan()
    assert archive.hours() == {"J0500+3020": 6}


def test_a_name_given_to_a_nameless_place_stays(archive):
    """Older frames of the other arcminute, found later, join the renamed target."""
    dithered(archive, [3, 4, 5])
    archive.scan()
    assert archive.hours() == {"J0500+3019": 3}
    archive.say("rename", "J0500+3019", "Dark cloud")
    dithered(archive, [0, 1, 2])
    archive.scan()
    assert archive.hours() == {"Dark cloud": 6}
    archive.say("undo")
    assert archive.hours() == {"J0500+3020": 6}


def test_a_goal_for_a_nameless_place_stays(archive):
    """A goal keeps its frames when older nights are found."""
    dithered(archive, [3, 4, 5])
    archive.scan()
    assert here(archive.home, "goal", "J0500+3019", "L", "5").returncode == 0
    dithered(archive, [0, 1, 2])
    archive.scan()
    (row,) = runlog_json(archive.home, "totals")["rows"]
    assert (row["target"], row["frames"], row["goal_s"]) == ("J0500+3019", 6, 5 * 3600)


def test_frames_moved_are_the_frames_listed(archive):
    """Focus frames and copies bear the name as well; told is what the list shows."""
    archive.light("Home field", 2).light("Home field", 3, IMAGETYP="Focus").light("M33").scan()
    assert archive.lines()["Home field"]["frames"] == 2
    assert "(2 frames)" in archive.say("merge", "Home field", "M 33")
    assert "(2 frames)" in archive.say("undo")
    assert "(2 frames)" in archive.say("rename", "Home field", "Garden")
    assert "(2 frames)" in archive.say("split", "Home field", "Yard")


# --- refused --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def untouched(tmp_path_factory):
    """Give frames to tests that must change nothing."""
    archive = Archive(tmp_path_factory.mktemp("untouched"))
    archive.light("Home field").light("M33").scan()
    return archive


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["merge", "M 51", "M 33"], "No frame of M 51 was ever seen"),
        (["merge", "Home field", "Nowhere"], "There is no target Nowhere"),
        (["merge", "M33", "NGC 598"], "one target already"),
        (["merge", "(no name)", "M33"], "not one target"),
        (["rename", "Home field", "M 33"], "There is a target M 33 already"),
        (["rename", "Home field", " "], "empty"),
        (["rename", "Elsewhere", "M 51"], "was ever seen"),
        (["split", "M31", "Other"], "No header spells"),
        (["split", "M33", ""], "empty"),
        (["keep", "M 51"], "was ever seen"),
        (["undo"], "no change of names to undo"),
        (["undo", "3"], "no change 3"),
    ],
)
def test_bad_changes_change_nothing(untouched, words, said):
    """Wrong usage says what is wrong, and nothing is written."""
    assert said in untouched.say(*words, code=2)
    assert untouched.hours() == {"Home field": 1, "M 33": 1}
    assert runlog_json(untouched.home, "targets", "log")["rows"] == []


def test_a_ring_of_names_is_refused(archive):
    """A merged into B cannot take B back in."""
    archive.light("One place").light("Other place").scan()
    archive.say("merge", "One place", "Other place")
    said = archive.say("merge", "Other place", "One place", code=2)
    assert "one target already" in said
    assert archive.hours() == {"Other place": 2}


# --- what is no target ----------------------------------------------------------------------


@pytest.mark.parametrize("folder", ["focus 3", "AF_012", "-focus", "#AF"])
def test_a_planet_focused_on_is_no_target(tmp_path, folder):
    """One or two frames of a focus folder take no part in the totals, whatever else the night."""
    for n in range(2):
        start = f"2026-10-09T19:0{n}:00"
        path = tmp_path / "frames" / folder / f"f{n}.fits"
        write_frame(path, noise(90 + n), OBJECT="Jupiter", EXPTIME=2.0, DATE__OBS=start)
    archive = Archive(tmp_path)
    archive.light("M33", 2).scan()
    assert archive.hours() == {"M 33": 2}
    rows = runlog_json(tmp_path, "frames")["rows"]
    assert [row["kind"] for row in rows].count("focus") == 2


def test_names_of_files_name_what_no_card_does(tmp_path):
    """Target and filter of a silent header come from the file's name, and are said to."""
    frames = tmp_path / "frames"
    for n in (1, 2):
        silent = {"OBJECT": None, "FILTER": None, "DATE__OBS": f"2026-10-09T19:0{n}:00"}
        write_frame(frames / f"M13_blue_000{n}.fits", noise(n), **silent)
    assert here(tmp_path, "scan", frames).returncode == 0
    (row,) = runlog_json(tmp_path, "totals")["rows"]
    assert (row["target"], row["filter"], row["frames"]) == ("M 13", "B", 2)
    said = here(tmp_path, "check").stdout
    assert "the file name says M13 (2 frames)" in said
    assert "the file name says B (2 frames)" in said


def solved(ra_deg, dec_deg, pixel):
    """Make cards of a solved frame of 64 x 48 pixels, 1.8 arcsec a pixel; no other place."""
    return {
        "OBJECT": None, "RA": None, "DEC": None, "OBJCTRA": None, "OBJCTDEC": None,
        "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": ra_deg, "CRVAL2": dec_deg,
        "CRPIX1": pixel[0], "CRPIX2": pixel[1], "CD1_1": -5e-4, "CD2_2": 5e-4,
    }  # fmt: skip


def test_a_reference_point_beside_the_frame_names_nothing(archive):
    """A frame two degrees from its reference point on M 1 (83.63, 22.01) is not M 1."""
    archive.light("", **solved(83.63, 22.01, (4400.0, 24.0))).scan()
    assert list(archive.hours()) == ["J0543+2159"]  # by astropy.wcs 05:43:56 +21:59:36
    archive.light("", **solved(83.63, 22.01, (32.0, 24.0))).scan()
    assert archive.hours()["M 1"] == 1


def test_the_sky_in_the_frame_outweighs_its_cards(archive):
    """Cards on M 33, stars solved 43 degrees south of it: no M 33, and the person is asked."""
    cards = {**solved(23.46, -12.0, (32.0, 24.0)), "RA": 23.46, "DEC": 30.66}
    archive.light("", **cards).scan()
    assert "M 33" not in archive.hours()
    said = here(archive.home, "check").stdout
    assert "42.7 deg away; the second is believed (1 frame)" in said.replace("\n        ", " ")
