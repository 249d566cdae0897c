"""Several people at one database, by the real command: who may what, and what they are told."""

import json
import re
from contextlib import contextmanager

import jsonschema
import pytest

from runlog.actions.judge import judge, take_back
from runlog.actions.mark import find_frame
from runlog.ingest.kept import Worker
from runlog.store.engine import open_engine, reading
from runlog.tui.decisions import change_words
from tests.clubs import club, copied
from tests.tools import here, noise, write_frame, write_run
from tests.watching import Night, feed

ANN, BEN = "ann's 90/540", "ben's 80/480"


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """Write a night of each of two rigs, and one of the keeper's."""
    home = tmp_path_factory.mktemp("people")
    write_run(home / "shed", 1, first=30, TELESCOP="Shed 200/1000")
    # Few at a time: read without workers, whose start takes a second.
    write_run(home / "ann", 2, TELESCOP=ANN)
    write_run(home / "ben", 2, first=6, TELESCOP=BEN)
    return home


@pytest.fixture(scope="module")
def begun(server, home):
    """Let Ann and Ben scan a rig each, Rea look; Eve is a login of the server and no more."""
    with club(server, ["ann", "ben", "rea", "eve", "flo"]) as made:
        made.does(home, "keeper", "scan", home / "shed")
        for who, role in (("ann", "observer"), ("ben", "observer"), ("rea", "reader")):
            made.does(home, "keeper", "club", "add", made.login(who), "--role", role)
        for who in ("ann", "ben"):
            made.does(home, who, "scan", home / who)
        made.json(home, "keeper", "nights")  # the machine of the listings has the same folders
        yield made


@pytest.fixture
def made(begun):
    """Copy what was begun for one test, so that none leans on what another did."""
    with copied(begun) as made:
        yield made


def refused(made, home, who, *words, code=3):
    """Run what must be refused; gives the words, which are ours: no traceback, no SQL."""
    done = made.runs(home, who, *words)
    assert done.returncode == code, (words, done.stderr)
    assert "Traceback" not in done.stderr and "psycopg" not in done.stderr.replace("+psycopg", "")
    return done.stderr


def members(made, home):
    """List who may do what, by their plain names."""
    rows = made.json(home, "rea", "club")["rows"]
    return {row["login"].split("_")[0]: (row["role"], row["rigs"]) for row in rows}


def names(made, home, who="rea"):
    """Give the file name, grade and note of each light."""
    rows = made.json(home, who, "frames")["rows"]
    return {row["path"].split("/")[-2:][0] + row["path"][-6:]: row for row in rows}


def test_a_new_rig_is_its_observers(made, home):
    """Who first scans a rig keeps it; the keeper's own stays nobody's; all is listed to all."""
    listed = made.json(home, "rea", "club")
    schema = json.loads(here(home, "schema", "club").stdout)
    jsonschema.Draft202012Validator(schema).validate(listed)
    shown = made.runs(home, "rea", "club").stdout
    assert re.search(rf"^{made.login('ann')} +observer +{ANN} \+ MonoCam 9$", shown, re.M)
    told = members(made, home)
    assert told["ann"] == ("observer", [f"{ANN} + MonoCam 9"])
    assert told["ben"] == ("observer", [f"{BEN} + MonoCam 9"])
    assert told["rea"] == ("reader", [])
    assert told["keeper"] == ("keeper", [])
    assert set(told) == {"ann", "ben", "rea", "keeper"}
    assert len(made.json(home, "rea", "frames")["rows"]) == 5


def test_a_scan_says_that_a_new_rig_is_ones_own(made, home):
    """Once, to the observer whose frames are its first; the keeper's new rigs are nobody's."""
    write_run(home / "new", 1, first=80, TELESCOP="Egret 60/360")
    write_run(home / "keepers", 1, first=81, TELESCOP="Crane 60/360")
    said = made.does(home, "ann", "scan", home / "new")
    assert "  Egret 60/360 + MonoCam 9 is your rig now" in said and said.count("is your rig") == 1
    assert "is your rig" not in made.does(home, "ann", "scan", home / "new")
    assert "is your rig" not in made.does(home, "keeper", "scan", home / "keepers")
    write_run(home / "newer", 1, first=82, TELESCOP="Heron 60/360")
    rigs = [made.json(home, "ann", "scan", home / "newer")["new_rigs"] for _ in range(2)]
    assert rigs == [["Heron 60/360 + MonoCam 9"], []]


def test_a_watch_says_that_a_new_rig_is_ones_own(made, home, tmp_path):
    """Once, when its first frame comes; frames of others, of the same night, are not looked at."""
    new = write_run(tmp_path / "new", 2, first=83, TELESCOP="Stork 60/360")
    known = write_run(tmp_path / "known", 1, first=85, TELESCOP=ANN)
    with Worker() as worker:
        night = Night(tmp_path, worker, database=made.url("ann")).begin()
        feed(night, [*known, *new], 10)
        night.close()
        keepers = Night(tmp_path, worker, database=made.url("keeper")).begin()
        feed(keepers, write_run(tmp_path / "more", 1, first=87, TELESCOP="Rook 60/360"), 10)
        keepers.close()
    told = "Stork 60/360 + MonoCam 9 is your rig now (who keeps which: runlog club)"
    assert {event.rig for event in night.frames()} == {
        f"{ANN} + MonoCam 9", "Stork 60/360 + MonoCam 9"
    }  # fmt: skip
    assert night.said.count(told) == 1
    assert sum("your rig" in words for words in night.said) == 1
    assert "Rook 60/360 + MonoCam 9" in {event.rig for event in keepers.frames()}
    assert not any("your rig" in words for words in keepers.said)


def test_a_reader_is_told_before_any_work(made, home):
    """Every writing command is refused in our words, at once, and nothing is stored."""
    before = made.json(home, "keeper", "frames")
    frame = before["rows"][0]["fingerprint"][:12]
    write_run(home / "late", 1, first=50, TELESCOP=ANN)
    for words in (
        ("scan", home / "late"), ("mark", frame, "keep"), ("goal", "M33", "L", "3"),
        ("goal", "M33", "L", "3", "--mine"), ("note", "collimated", "--rig", "ann"),
        ("correct", "filter", "Ha", frame), ("targets", "rename", "M33", "Spiral"),
        ("policy", "adopt"), ("club", "add", made.login("rea"), "--role", "observer"),
    ):  # fmt: skip
        said = refused(made, home, "rea", *words)
        assert "nothing was changed" in said or "which" in said, said
    assert made.json(home, "keeper", "frames") == before
    for words in (("nights",), ("totals",), ("night",), ("check",), ("forecast",), ("roots",)):
        assert made.runs(home, "rea", *words).returncode in (0, 1), words


def test_a_reader_is_told_the_cure_that_helps(made, home):
    """What is the keeper's alone no role of an observer cures; nor does all need a rig."""
    asks = "Ask the keeper; who that is: runlog club"
    for words in (("goal", "M33", "L", "3"), ("targets", "rename", "M33", "Spiral"),
                  ("targets", "keep", "M33")):  # fmt: skip
        said = refused(made, home, "rea", *words)
        assert asks in said and "only the keeper" in said and "--role" not in said, words
    for words in (("club", "remove", made.login("ann")), ("club", "add", "x", "--role", "reader")):
        said = refused(made, home, "rea", *words)
        assert f"Ask {made.login('keeper')}" in said and "--role" not in said, words
    for words in (("goal", "M33", "L", "3", "--mine"), ("roots", "rename", "ann", "Ann's")):
        said = refused(made, home, "rea", *words)
        assert "--role observer, and --rig NAME for frames of a rig" in said, words


def test_who_is_no_member_is_told_whom_to_ask(made, home):
    """A login that nobody let in is no member: words and a cure, not a missing table."""
    said = refused(made, home, "eve", "totals")
    assert "no member of this database" in said and "runlog club add" in said


def test_an_observer_works_for_their_own_rig(made, home):
    """Mark, correct, note, goal, regrade and undo go through, signed by the login."""
    me, frame = made.login("ann"), str(home / "ann" / "light_0000.fits")
    assert "marked keep" in made.does(home, "ann", "mark", frame, "keep")
    made.does(home, "ann", "correct", "filter", "Ha", frame)
    made.does(home, "ann", "correct", "--undo")
    made.does(home, "ann", "note", "collimated", "--rig", "ann", "--date", "2026-10-09")
    made.does(home, "ann", "goal", "M33", "L", "7", "--mine")
    made.does(home, "ann", "regrade", "--all")
    row = names(made, home)["ann0.fits"]
    assert (row["grade"], row["graded_by"]) == ("keep", "person")
    with made.sql("keeper") as keeper:
        for table in ("mark", "correction", "rig_note", "goal"):
            signed = keeper.execute(f"SELECT DISTINCT who FROM {table}").fetchall()
            assert signed == [(me,)], table
        first = keeper.execute("SELECT who FROM rig_settings WHERE rig_id = (SELECT rig_id "
                               "FROM rig_member WHERE login = %s)", [me]).fetchone()  # fmt: skip
        assert first[0].startswith(f"{me}, first recorded, without a config file, on ")


def test_an_observer_is_kept_from_others_rigs(made, home):
    """What belongs to Ben's rig is refused to Ann by name, with who keeps it and the cure."""
    frame = str(home / "ben" / "light_0006.fits")
    said = refused(made, home, "ann", "correct", "filter", "Ha", frame)
    assert "1 of 1 frame are of rigs that others keep" in said or "others keep" in said
    said = refused(made, home, "ann", "note", "collimated", "--rig", "ben")
    assert f"The rig is {BEN} + MonoCam 9, which {made.login('ben')} keeps" in said
    said = refused(made, home, "ann", "targets", "rename", "M33", "Spiral field")
    assert "only the keeper changes them" in said
    said = refused(made, home, "ann", "goal", "M33", "L", "3")
    assert "--mine" in said
    said = refused(made, home, "ann", "club", "remove", made.login("ben"))
    assert f"Ask {made.login('keeper')}" in said


def test_a_dry_run_is_refused_alike(made, home):
    """What would be refused is no dry run's success: of another's rig, and to a reader."""
    words = ("correct", "filter", "Ha", names(made, home)["ben6.fits"]["fingerprint"][:12])
    for who in ("ann", "rea"):
        made.runs(home, who, "nights")  # which says what of this machine's folders it found
        said = refused(made, home, who, *words, "--dry-run")
        assert said == refused(made, home, who, *words)
        assert "Would be" not in said
    assert "Would be corrected" in made.does(home, "ben", *words, "--dry-run")


def test_a_scan_names_the_files_of_others(made, home):
    """Of a folder with frames of two rigs one's own are stored; the others fail with the reason."""
    mixed = home / "mixed"
    write_frame(mixed / "own.fits", noise(70), DATE__OBS="2026-10-10T20:00:00", TELESCOP=ANN)
    write_frame(mixed / "bens.fits", noise(71), DATE__OBS="2026-10-10T20:10:00", TELESCOP=BEN)
    done = made.runs(home, "ann", "scan", mixed)
    assert done.returncode == 1
    assert "1 new" in done.stderr
    assert f"bens.fits: could not be stored: the rig is {BEN}" in done.stderr
    done = made.runs(home, "ann", "check")
    told = done.stdout + done.stderr
    assert f"1 file could not be stored: the rig is {BEN}" in " ".join(told.split())
    assert "Nothing ails it: whoever keeps that rig scans it" in " ".join(told.split())
    assert "report it" not in told and "unreadable" not in told
    nights = made.json(home, "rea", "nights")["rows"]
    assert [(n["rig"], n["frames"]) for n in nights if n["night"] == "2026-10-10"] == [
        (f"{ANN} + MonoCam 9", 1)
    ]
    made.does(home, "keeper", "club", "add", made.login("ann"), "--role", "observer",
              "--rig", "ben")  # fmt: skip
    made.does(home, "ann", "scan", mixed)
    made.does(home, "keeper", "club", "remove", made.login("ann"), "--rig", "ben's")
    assert members(made, home)["ann"] == ("observer", [f"{ANN} + MonoCam 9"])
    said = made.does(home, "keeper", "club", "remove", made.login("ann"))
    assert f"{ANN} + MonoCam 9 is nobody's now: the keeper decides on it" in said
    assert BEN not in said
    assert sum(n["night"] == "2026-10-10" for n in made.json(home, "rea", "nights")["rows"]) == 2


def test_the_rigs_people_decide_and_others_note(made, home):
    """Ann's and the keeper's words on Ben's frame stand beside it; only Ben's mark is its grade."""
    frame = str(home / "ben" / "light_0007.fits")
    auto = names(made, home)["ben7.fits"]["grade"]
    said = made.does(home, "ann", "mark", frame, "reject", "--note", "trailed")
    assert "kept as a note (reject)" in said and "marked" not in said
    made.does(home, "keeper", "mark", frame, "doubtful")
    row = names(made, home)["ben7.fits"]
    assert (row["grade"], row["graded_by"]) == (auto, "auto")
    ann, keeper = made.login("ann"), made.login("keeper")
    noted = f"{ann} says reject: trailed; {keeper} says doubtful"
    assert row["note"].endswith(noted)
    made.does(home, "ben", "mark", frame, "keep", "--note", "fine")
    made.does(home, "ann", "mark", frame, "doubtful")
    made.does(home, "keeper", "regrade", "--all")
    row = names(made, home)["ben7.fits"]
    assert (row["grade"], row["graded_by"]) == ("keep", "person")
    assert row["note"] == f"fine; {ann} says doubtful; {keeper} says doubtful"
    assert "taken back" in made.does(home, "ann", "mark", frame, "auto")
    assert names(made, home)["ben7.fits"]["note"] == f"fine; {keeper} says doubtful"


def test_of_a_rig_of_nobodys_the_keeper_decides(made, home):
    """Until somebody is made its member; what was decided before stays decided."""
    frame = str(home / "shed" / "light_0030.fits")
    made.does(home, "keeper", "mark", frame, "keep")
    made.does(home, "ann", "mark", frame, "reject")
    assert names(made, home)["shed0.fits"]["grade"] == "keep"
    made.does(home, "keeper", "club", "add", made.login("ben"), "--role", "observer",
              "--rig", "Shed")  # fmt: skip
    made.does(home, "keeper", "mark", frame, "doubtful")
    assert names(made, home)["shed0.fits"]["grade"] == "keep"
    made.does(home, "ben", "mark", frame, "reject")
    assert names(made, home)["shed0.fits"]["grade"] == "reject"


def test_without_a_number_ones_own_last_correction_is_undone(made, home):
    """Not the last of all: also the keeper takes back their own, and is told whose is left."""
    for who, value in (("keeper", "OIII"), ("ann", "Ha"), ("ben", "SII")):
        rig = {"keeper": "Shed 200/1000", "ann": ANN, "ben": BEN}[who]
        made.does(home, who, "correct", "filter", value, "--rig", rig)
    assert "Undone: filter Ha (2 frames" in made.does(home, "ann", "correct", "--undo")
    said = refused(made, home, "ann", "correct", "--undo", code=2)
    left = f"In force: 1 of {made.login('keeper')}, 1 of {made.login('ben')}. One of them by its"
    assert "There is no correction of yours to undo; nothing was changed" in said and left in said
    assert "Undone: filter OIII (1 frame" in made.does(home, "keeper", "correct", "--undo")
    said = refused(made, home, "keeper", "correct", "--undo", code=2)
    assert f"In force: 1 of {made.login('ben')}. One of them" in said
    (number,) = (r["id"] for r in made.json(home, "rea", "correct", "--list")["rows"] if r["stands"]
                 and not r["undoes"])  # fmt: skip
    assert "others keep" in refused(made, home, "ann", "correct", "--undo", str(number))
    assert "Undone: filter SII" in made.does(home, "keeper", "correct", "--undo", str(number))
    said = refused(made, home, "ben", "correct", "--undo", code=2)
    assert "There is no correction to undo" in said


def test_without_a_number_ones_own_last_note_is_taken_back(made, home):
    """Not the last of all, which others made; the keeper takes back anybody's by its number."""
    for who, rig in (("ann", ANN), ("keeper", "Shed 200/1000"), ("ben", BEN)):
        made.does(home, who, "note", f"cleaned by {who}", "--rig", rig, "--date", "2026-10-10")
    assert "cleaned by ann" in made.does(home, "ann", "note", "--undo")
    said = refused(made, home, "ann", "note", "--undo", code=2)
    left = f"In force: 1 of {made.login('keeper')}, 1 of {made.login('ben')}. One of them by its"
    assert "There is no note of yours to undo; nothing was changed" in said and left in said
    assert "runlog note --undo NO" in said
    assert "cleaned by keeper" in made.does(home, "keeper", "note", "--undo")
    (number,) = (r["id"] for r in made.json(home, "rea", "note")["rows"] if r["stands"]
                 and not r["undoes"])  # fmt: skip
    assert made.login("ben") in refused(made, home, "ann", "note", "--undo", str(number))
    assert "cleaned by ben" in made.does(home, "keeper", "note", "--undo", str(number))
    assert "There is no note to undo" in refused(made, home, "ben", "note", "--undo", code=2)


def limits(made, home, rig):
    """Give a limit that a rig is graded by."""
    rows = made.json(home, "rea", "policy", "show", "--rig", rig)["rows"]
    return next((r["doubtful"], r["reject"]) for r in rows if r["setting"] == "few_stars_share")


def test_the_keeper_leaves_limits_as_their_people_adopted_them(made, home):
    """Only rigs of nobody's follow the keeper's file, and it says so; another's must be named."""
    files = {"ann": (0.31, 0.3), "keeper": (0.41, 0.4)}
    for who, (doubtful, reject) in files.items():
        text = f"[policy]\nfew_stars_share = [{doubtful}, {reject}]\n"
        (home / f"{who}.toml").write_text(text)
    made.does(home, "ann", "policy", "adopt", "--config", home / "ann.toml")
    adopt = ("policy", "adopt", "--config", home / "keeper.toml")
    said = made.does(home, "keeper", *adopt)
    left = f"Left as it is graded: {ANN} + MonoCam 9, which {made.login('ann')} keeps. To change it"
    assert "Shed 200/1000 + MonoCam 9 is graded by" in said and left in said
    assert limits(made, home, "Shed") == files["keeper"]
    assert limits(made, home, "ann's") == files["ann"]
    assert limits(made, home, "ben's") not in files.values()
    again = made.does(home, "keeper", *adopt)
    assert left in again and "Nothing to do" not in again
    nagging = made.does(home, "keeper", "nights", "--config", home / "keeper.toml")
    assert "otherwise" not in nagging
    made.does(home, "keeper", *adopt, "--rig", "ann's")
    assert limits(made, home, "ann's") == files["keeper"]


def test_who_has_no_rig_is_told_so_when_adopting_limits(made, home):
    """Not that all is graded so already; with a rig of their own the same command does it."""
    made.does(home, "keeper", "club", "add", made.login("eve"), "--role", "observer")
    (home / "eve.toml").write_text("[policy]\nfew_stars_share = [0.51, 0.5]\n")
    adopt = ("policy", "adopt", "--config", home / "eve.toml")
    said = refused(made, home, "eve", *adopt)
    assert "No rig is yours here; nothing was changed" in said
    assert f"runlog club add {made.login('eve')} --role observer --rig NAME" in said
    write_run(home / "eve", 1, first=90, TELESCOP="Swan 60/360")
    made.does(home, "eve", "scan", home / "eve")
    (home / "eve.toml").write_text("[policy]\nfew_stars_share = [0.61, 0.6]\n")
    assert "Swan 60/360 + MonoCam 9 is graded by" in made.does(home, "eve", *adopt)
    assert "Nothing to do: frames are graded by that already" in made.does(home, "eve", *adopt)
    assert limits(made, home, "ann's") != (0.61, 0.6)


def test_the_keeper_is_told_whose_frames_a_correction_changes(made, home):
    """Before and after; of one's own rig and of nobody's nothing is said."""
    bens = f"1 frame of {BEN} + MonoCam 9, which {made.login('ben')} keeps"
    words = ("correct", "filter", "Ha", home / "ben" / "light_0007.fits")
    assert f"Would change {bens}" in made.does(home, "keeper", *words, "--dry-run")
    assert f"This changed {bens}" in made.does(home, "keeper", *words)
    assert f"This changed {bens}" in made.does(home, "keeper", "correct", "--undo")
    assert bens not in made.does(home, "ben", *words)
    shed = ("correct", "filter", "Ha", home / "shed" / "light_0030.fits")
    assert "changed" not in made.does(home, "keeper", *shed)


def test_own_goals_stand_beside_everybodys(made, home):
    """Totals count against everybody's goals, with --mine against one's own, and show both."""
    made.does(home, "keeper", "goal", "M33", "L", "10")
    made.does(home, "ben", "goal", "M33", "L", "4", "--mine")
    wanted = {
        who: [row["goal_s"] for row in made.json(home, who, "totals", *words)["rows"]]
        for who, words in (("ben", ()), ("rea", ()))
    }
    assert wanted["ben"] == wanted["rea"] == [36_000.0]
    assert [r["goal_s"] for r in made.json(home, "ben", "totals", "--mine")["rows"]] == [14_400.0]
    rows = made.json(home, "ben", "forecast", "--mine")["rows"]
    assert [r["goal_s"] for r in rows] == [14_400.0]
    done = made.runs(home, "ben", "totals")
    shown = done.stdout
    assert "\n\nGoals of your own" in shown
    assert re.search(r"^\nL of M 33 is 10 h 00 min short", done.stderr, re.M)
    assert shown.index("10 h 00") < shown.index("Goals of your own") < shown.index("4 h 00")
    assert "Goals of your own" not in made.runs(home, "rea", "totals").stdout
    made.does(home, "ben", "goal", "M33", "L", "0", "--mine")
    assert [row["goal_s"] for row in made.json(home, "ben", "totals")["rows"]] == [36_000.0]


def test_ones_own_goals_are_planned_with_ones_own_rigs(made, home):
    """Whoever else shot the target; who has no rig is planned for with everybody's."""
    for who in ("ben", "rea"):
        made.does(home, "keeper", "club", "add", made.login(who), "--role", "observer")
        made.does(home, who, "goal", "M33", "L", "9", "--mine")
    line = ("tonight", "--date", "2026-10-20", "--mine")
    own = made.json(home, "ben", *line)
    assert {row["rig"] for row in (*own["rigs"], *own["rows"])} == {f"{BEN} + MonoCam 9"}
    named = made.json(home, "ben", *line, "--rig", "ben")
    assert named["rows"] == own["rows"]
    assert len(made.json(home, "rea", *line)["rigs"]) == 3
    lent = "No rig is yours here: these are the rigs of all."
    assert lent in made.does(home, "rea", *line) and lent not in made.does(home, "ben", *line)
    (row,) = made.json(home, "ben", "forecast", "--mine")["rows"]
    assert row["chances"] == "unknown, because fewer than 5 nights with frames are stored"


def test_ones_own_rigs_share_ones_own_goal(made, home):
    """Both of Ben's rigs serve his goal, and the shed's, which used L as well, does not."""
    own = ("--rig", f"{ANN} + MonoCam 9", "--rig", f"{BEN} + MonoCam 9")
    made.does(home, "keeper", "club", "add", made.login("ben"), "--role", "observer", *own)
    made.does(home, "ben", "goal", "M33", "L", "99", "--mine")
    line = ("tonight", "--date", "2026-10-20", "--mine")
    both = made.json(home, "ben", *line)["plan"]
    assert {block["rig"] for block in both} == {f"{ANN} + MonoCam 9", f"{BEN} + MonoCam 9"}
    assert all(" + MonoCam 9 too, " in block["why"] for block in both)
    assert "Shed" not in str(both)
    alone = made.json(home, "ben", *line, "--rig", "ann")["plan"]
    assert alone == [block for block in both if block["rig"].startswith("ann")]


def test_totals_of_ones_own_point_to_ones_own_plan(made, home):
    """Below the table stand the goals that the table shows, and the plan that is for them."""
    made.does(home, "keeper", "goal", "M33", "L", "10")
    made.does(home, "keeper", "goal", "M42", "Ha", "6", "--new")
    made.does(home, "ben", "goal", "M33", "L", "4", "--mine")
    logged = made.json(home, "ben", "totals", "--mine")["rows"][0]["kept_s"]
    assert logged == 0  # whole goals are to go
    everybodys, own = (made.does(home, "ben", "totals", *more) for more in ((), ("--mine",)))
    assert "M 42" in everybodys and "L of M 33 is 10 h 00 min short" in everybodys
    assert "M 42" not in own and "L of M 33 is 4 h 00 min short" in own
    assert everybodys.rstrip().endswith("runlog tonight")
    assert own.rstrip().endswith("runlog tonight --mine")


def test_the_interface_notes_as_well(made, home):
    """A key on Ben's frame makes a note of Ann's, says so, and u takes it back."""
    engine = open_engine(made.url("ann"))
    me = made.login("ann")
    with reading(engine) as connection:
        ids = {"ben": find_frame(connection, str(home / "ben" / "light_0006.fits")),
               "ann": find_frame(connection, str(home / "ann" / "light_0001.fits"))}  # fmt: skip
    before = names(made, home)
    step = judge(engine, [ids["ben"]], "reject", me)
    assert (step.frames, step.noted) == (1, 1)
    assert change_words(step) == "a note on 1 frame of a rig that others keep"
    assert names(made, home)["ben6.fits"] == before["ben6.fits"] | {
        "note": "; ".join([*filter(None, [before["ben6.fits"]["note"]]), f"{me} says reject"])
    }
    assert take_back(engine, step, me).frames == 1
    both = judge(engine, list(ids.values()), "reject", me)
    assert "1 of them only noted" in change_words(both)
    take_back(engine, both, me)
    made.does(home, "ann", "nights")
    assert names(made, home) == before
    engine.dispose()


def test_what_puts_anothers_night_out_of_date_waits_for_them(made, home):
    """Bias frames of one kind of camera concern all rigs: others' nights are told of until each is
    settled by those who keep its rig, the shed's by the keeper."""
    bias = {"IMAGETYP": "Bias Frame", "EXPTIME": 0.0, "FILTER": None, "OBJECT": None}
    cards = bias | {"DATE__OBS": "2026-10-09T18:00:00", "TELESCOP": ANN}
    write_frame(home / "zeros" / "bias.fits", noise(90), **cards)
    made.does(home, "ann", "scan", home / "zeros")
    told = "of rigs that others keep are not up to date"
    assert f"2 nights {told}" in made.does(home, "rea", "nights")
    assert f"2 nights {told}" in made.does(home, "ann", "nights")
    assert f"1 night {told}" in made.does(home, "ben", "nights")
    assert f"1 night {told}" in made.does(home, "rea", "nights")
    made.does(home, "keeper", "nights")
    assert told not in made.does(home, "rea", "nights")


def logged_s(made, home):
    """Add up the hours that count."""
    return sum(row["logged_s"] for row in made.json(home, "rea", "totals")["rows"])


def test_an_exposure_counts_once_whoever_has_its_copies(made, home):
    """Ben's calibrated copies came first; Ann's raw frames do not count besides, until it is put
    right by the keeper, who may choose among both."""  # fmt: skip
    before = logged_s(made, home)
    for i in range(2):
        start, raw = f"2026-11-0{i + 1}T22:00:00", noise(200 + i)
        copy = {"DATE__OBS": start, "CALSTAT": "BD", "TELESCOP": None, "FOCALLEN": None}
        write_frame(home / "copies" / f"{i}.fits", raw.astype("f4") - 0.5, **copy)
        write_frame(home / "raw" / f"{i}.fits", raw, DATE__OBS=start, TELESCOP=ANN)
    made.does(home, "ben", "scan", home / "copies")
    assert logged_s(made, home) == before + 600
    made.does(home, "ann", "scan", home / "raw")
    assert logged_s(made, home) == before + 600
    made.does(home, "keeper", "regrade", "--all")
    assert logged_s(made, home) == before + 600
    nights = made.json(home, "rea", "nights")["rows"]
    counted = {n["rig"] for n in nights if n["night"] > "2026-11" and n["frames"]}
    assert counted == {f"{ANN} + MonoCam 9"}


def test_a_copy_in_a_file_says_the_same(made, home, tmp_path):
    """What was noted, decided and wanted is listed alike, byte for byte, from a file."""
    frames = [str(home / "ben" / f"light_000{n}.fits") for n in (6, 7)]
    made.does(home, "ben", "mark", frames[0], "keep", "--note", "fine")
    made.does(home, "keeper", "mark", frames[0], "doubtful")
    made.does(home, "ben", "correct", "filter", "Ha", frames[1])
    made.does(home, "keeper", "goal", "M33", "L", "10")
    made.does(home, "ben", "goal", "M33", "L", "4", "--mine")
    made.does(home, "keeper", "copy", tmp_path / "night.sqlite")
    env = {"RUNLOG_MACHINE": "keeper's machine"}
    for words in ("frames --csv", "nights --json", "totals --json", "correct --list --json"):
        of_server = made.runs(home, "keeper", *words.split()).stdout
        assert here(tmp_path, *words.split(), env=env).stdout == of_server, words
        assert words != "frames --csv" or "says doubtful" in of_server


def test_letting_in_is_the_keepers_and_makes_sense(made, home):
    """A login the server does not know, a reader with a rig, a keeper who is none: refused."""
    add = ("club", "add")
    said = refused(made, home, "keeper", *add, "nobody_here", "--role", "reader", code=2)
    assert "createuser --pwprompt nobody_here" in said
    flo = made.login("flo")
    said = refused(made, home, "keeper", *add, flo, "--role", "reader", "--rig", "ben's", code=2)
    assert "A reader keeps no rig" in said
    said = refused(made, home, "keeper", *add, flo, "--role", "keeper", code=2)
    assert f'GRANT "{made.login("keeper")}" TO "{flo}"' in said
    said = refused(made, home, "keeper", *add, made.login("keeper"), "--role", "reader", code=2)
    assert "is a keeper" in said
    refused(made, home, "keeper", "club", "remove", flo, code=2)


@contextmanager
def granted(made, who):
    """Give a login the owner's role while a test looks; the logins are those of all tests."""
    keeper, name = made.login("keeper"), made.login(who)
    made.server.run(f'GRANT "{keeper}" TO "{name}"')
    try:
        yield
    finally:
        made.server.run(f'REVOKE "{keeper}" FROM "{name}"')


def test_a_second_keeper(made, home):
    """Who was granted the owner's role may do all, under a name of their own."""
    flo = made.login("flo")
    with granted(made, "flo"):
        assert members(made, home)["flo"] == ("keeper", [])
        made.does(home, "flo", "club", "add", made.login("eve"), "--role", "reader")
        with made.sql("keeper") as connection:
            signed = connection.execute("SELECT login FROM member WHERE who = %s", [flo])
            assert signed.fetchall() == [(made.login("eve"),)]
        assert len(made.json(home, "eve", "frames")["rows"]) == 5
        made.does(home, "flo", "club", "remove", made.login("eve"))
        assert "no member" in refused(made, home, "eve", "totals")


def test_removing_a_keeper_takes_all_but_the_role(made, home):
    """What was given is taken; what the server gave is named, with how to take it, and code 1."""
    ann, keeper = made.login("ann"), made.login("keeper")
    remove = ("club", "remove", ann)
    with granted(made, "ann"):
        said = refused(made, home, "keeper", *remove, code=1)
        assert f'{ann} still is keeper, as a member of "{keeper}"' in said
        assert f'psql -c \'REVOKE "{keeper}" FROM "{ann}"\'' in said
        assert f"{ANN} + MonoCam 9 is nobody's now" in said and said.isascii()
        assert members(made, home)["ann"] == ("keeper", [])
    assert "ann" not in members(made, home)
    write_run(home / "anns_next", 1, first=60, TELESCOP="ann's next 60/360")
    for words in (("mark", "x", "keep"), ("goal", "M33", "L", "3", "--mine"),
                  ("scan", home / "anns_next")):  # fmt: skip
        assert "no member of this database" in refused(made, home, "ann", *words)
    refused(made, home, "keeper", *remove, code=2)
    said = refused(made, home, "keeper", "club", "remove", keeper, code=1)
    assert "the tables are theirs" in said
    made.does(home, "keeper", "regrade", "--all")  # nothing was taken from the keeper's own


def test_rights_without_a_membership_are_shown_and_taken(made, home):
    """Rows that were deleted, or a keeper's whose role ended, leave nobody with hidden rights."""
    ann, ben = made.login("ann"), made.login("ben")
    with made.sql("keeper") as keeper:
        keeper.execute("DELETE FROM rig_member WHERE login = %s", [ann])
        keeper.execute("DELETE FROM member WHERE login = %s", [ann])
    with granted(made, "ben"):
        made.does(home, "keeper", "club", "add", ben, "--role", "keeper")
    told = members(made, home)
    assert told["ann"] == ("observer", [])
    assert told["ben"] == ("none", [f"{BEN} + MonoCam 9"])
    said = made.does(home, "rea", "club")
    assert f"{ann} is no member, and was left the rights of an observer" in said
    assert f"{ben} is no member, and was left the name of keeping {BEN} + MonoCam 9" in said
    assert f"runlog club remove {ann}" in said
    for who in ("ann", "ben"):
        made.does(home, "keeper", "club", "remove", made.login(who))
        assert "no member of this database" in refused(made, home, who, "totals")
    assert set(members(made, home)) == {"keeper", "rea"}


def test_rights_that_another_granted_are_told(made, home):
    """What the keeper cannot revoke is not passed over: code 1, and who can."""
    eve = made.login("eve")
    with made.sql("keeper") as keeper:
        keeper.execute(f'GRANT SELECT ON run TO "{made.login("rea")}" WITH GRANT OPTION')
    with made.sql("rea") as rea:
        rea.execute(f'GRANT SELECT ON run TO "{eve}"')
    assert members(made, home)["eve"] == ("reader", [])
    said = refused(made, home, "keeper", "club", "remove", eve, code=1)
    assert "another login of the server granted" in said


def test_a_login_can_be_dropped_once_it_is_shut_out(server, home):
    """Nothing on tables, counters or the schema keeps the server from dropping it."""
    with club(server, ["dud", "dot"]) as made:
        made.does(home, "keeper", "check")  # makes the tables, as the guide says
        for who, role in (("dud", "observer"), ("dot", "reader")):
            login = made.login(who)
            made.does(home, "keeper", "club", "add", login, "--role", role)
            made.does(home, "keeper", "club", "remove", login)
            server.run(f'DROP ROLE "{login}"')


def test_a_file_has_one_person(home, tmp_path):
    """Without a server there are no members and no goals of one's own, and it says so."""
    here(tmp_path, "scan", home / "ann")
    for words in (
        ("club",),
        ("club", "add", "ann", "--role", "reader"),
        ("totals", "--mine"),
        ("forecast", "--mine"),
        ("tonight", "--mine"),
    ):
        done = here(tmp_path, *words)
        assert done.returncode == 2
        assert "one person" in done.stderr
