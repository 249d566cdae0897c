"""Hostile names in headers, paths and the database: shown as text, and read back from CSV."""

import csv
import io
import json
import os
import pty
import shutil

import pytest
from sqlalchemy import update

from runlog.core.escape import escaped_line, unescaped
from runlog.core.plain_words import Vocabulary, understand
from runlog.store import models as m
from runlog.store.engine import open_engine, writing
from tests.hostile import NAMES, TEXTS, write_night
from tests.tools import argv, environment, here, runlog

# What no header can bring (its reader takes controls out), but another hand on the database can.
ODD = "\x1b]0;TITLE\x07\x1b[31m[bold]\x9b6n\u202egpj\r\n\x7f=1;=2\\u0041"
LISTINGS = (
    "frames", "night", "nights", "totals", "totals --by night", "totals --more", "targets",
    "targets log", "correct --list", "note", "check", "calibration", "roots", "policy history",
    "forecast",
)  # fmt: skip
SAYINGS = (
    "totals --publish markdown", "totals --publish text", "export --links out --dry-run",
    "export --links out", "regrade --explain text_00.fits", "correct --undo", "note --undo",
    "frames --filter nothing", "frames --rig nobody", "roots map no .", "note --rig title remark",
    "policy show --rig title", "correct target x --rig title", "goal \x1b]0;TITLE\x07 \x1b[31mL 3",
    "frames --target \x1b]0;TITLE\x07", "mark \x1b]0;TITLE\x07 keep", "scan \x1b]0;TITLE\x07",
    "--\x1b]0;TITLE\x07", "frames --night \x1b]0;TITLE\x07", "--config \x1b]0;TITLE\x07 frames",
)  # fmt: skip


@pytest.fixture(scope="module")
def scanned(tmp_path_factory):
    """Scan a folder of hostile headers and names, once."""
    home = tmp_path_factory.mktemp("hostile")
    paths = write_night(home / "frames")
    done = runlog(home, "scan", home / "frames")
    assert done.returncode == 0, done.stderr
    assert f"{len(TEXTS) + len(NAMES)} new" in done.stderr
    return home, paths


@pytest.fixture
def home(scanned, tmp_path):
    """Give the scanned folder and a database of one's own."""
    _copy_database(scanned[0], tmp_path)
    return tmp_path


def _copy_database(at, to):
    for file in at.glob("night.sqlite*"):
        shutil.copy(file, to)


def cells(home, *words):
    """Read the CSV of a listing."""
    done = here(home, *words, "--csv")
    assert done.returncode == 0, done.stderr
    return list(csv.DictReader(io.StringIO(done.stdout)))


def harmless(text):
    """Tell whether text is lines that can be printed, and nothing else."""
    return all(line.isprintable() for line in text.split("\n"))


# --- read back ------------------------------------------------------------------------------


def test_mark_takes_every_path_of_csv(home, scanned):
    """`mark` finds each frame by its cell in `frames --csv`, and no other frame."""
    rows = cells(home, "frames")
    assert len(rows) == len(scanned[1])
    for row in rows:
        done = here(home, "mark", row["path"], "doubtful", "--note", row["fingerprint"])
        assert done.returncode == 0, (row["path"], done.stderr)
    assert all(row["note"] == row["fingerprint"] for row in cells(home, "frames"))


def test_mark_takes_every_name_that_a_table_shows(home, scanned):
    """The last column of plain `frames` can be typed as it stands, whatever the name."""
    lines = here(home, "frames").stdout.splitlines()
    for path in scanned[1]:
        name = escaped_line(os.fsdecode(os.path.basename(path)))
        assert any(name in line for line in lines) or len(name) > 200, name
        assert here(home, "mark", "--", name, "keep").returncode == 0, name


def test_the_paths_are_those_on_disk(home, scanned):
    """Read by the documented rule, the cells are the files' names, byte by byte."""
    read = [unescaped(row["path"]) for row in cells(home, "frames")]
    assert sorted(map(os.fsencode, read)) == sorted(scanned[1])


@pytest.mark.parametrize("option", ["target", "filter", "rig"])
def test_every_command_chooses_by_the_cells_of_csv(home, option):
    """--target, --filter and --rig of `export` and `frames` take what CSV writes."""
    rows = cells(home, "frames")
    for cell in {row[option] for row in rows}:
        wanted = {row["path"] for row in rows if row[option] == cell}
        found = {row["path"] for row in cells(home, "frames", f"--{option}", cell)}
        assert found >= wanted if option == "rig" else found == wanted, cell
        here(home, "mark", "keep", "--yes", f"--{option}", cell)
        exported = {row["path"] for row in cells(home, "export", f"--{option}", cell)}
        assert wanted <= exported, cell


def test_targets_takes_the_cells_of_csv(home):
    """Each target can be renamed, and each spelling split off, by its cell; undo brings it back."""
    before = cells(home, "targets")
    assert len(before) > 8
    for row in before:
        if row["target"] == "M 33":
            continue
        done = here(home, "targets", "rename", "--", row["target"], "Nowhere 1")
        assert done.returncode == 0, (row["target"], done.stderr)
        assert here(home, "targets", "undo").returncode == 0
        (spelling,) = json.loads(row["spellings"])
        cell = json.dumps(spelling["raw"])[1:-1]  # as it stands in the cell
        done = here(home, "targets", "split", "--", cell, "Nowhere 1")
        assert done.returncode == 0, (cell, done.stderr)
        assert here(home, "targets", "undo").returncode == 0
        assert here(home, "targets", "keep", "--", row["target"]).returncode == 0
    assert [row["target"] for row in cells(home, "targets")] == [row["target"] for row in before]


@pytest.mark.parametrize("field", ["target", "filter", "rig"])
def test_a_correction_takes_the_cells_of_csv(home, field):
    """`correct target|filter|rig CELL`, as a process, gives a frame the name of the cell."""
    rows = cells(home, "frames")
    other = next(row for row in rows if row["target"] == "M 33")
    escaped = {row[field] for row in rows if "\\" in row[field]} - {other[field]}
    assert escaped
    for cell in sorted(escaped):
        words = ("correct", field, "--pattern", other["path"].rsplit("/", 1)[-1], "--", cell)
        done = runlog(home, *words)
        assert done.returncode == 0, (cell, done.stderr)
        got = next(row for row in cells(home, "frames") if row["path"] == other["path"])
        assert got[field] == cell
        assert here(home, "correct", "--undo").returncode == 0


def test_a_pattern_takes_the_names_of_csv(home):
    """`correct --pattern` chooses by the file's name as CSV writes it that one file alone."""
    for row in cells(home, "frames"):
        name = row["path"].rsplit("/", 1)[-1]
        done = here(home, "correct", "filter", "--pattern", name, "--dry-run", "--", "R")
        if name.startswith("-"):
            done = here(home, "correct", "filter", f"--pattern={name}", "--dry-run", "--", "R")
        assert done.returncode == 0, (name, done.stderr)
        assert "1 frame" in done.stdout + done.stderr, (name, done.stderr)


def test_goals_and_merges_take_the_cells_of_csv(home):
    """`goal`, `targets merge` and `targets rename` to a name there is read a cell back."""
    targets = [row["target"] for row in cells(home, "targets") if "\\" in row["target"]]
    assert targets
    for cell in targets:
        assert here(home, "goal", "--", cell, "L", "3").returncode == 0, cell
        done = here(home, "targets", "rename", "M 33", "--", cell)
        assert (done.returncode, "already" in done.stderr) == (2, True), (cell, done.stderr)
        assert here(home, "targets", "merge", "M 33", "--", cell).returncode == 0, cell
        assert here(home, "targets", "undo").returncode == 0
    assert {row["target"] for row in cells(home, "totals")} >= set(targets)


def test_the_find_line_takes_the_cells_of_csv():
    """What is typed to find frames in the interface reads names of filters and targets back."""
    known = Vocabulary({"=1+1": "=1+1"}, {"a\tb": "a\tb", 'say "x"': 'say "x"'})
    for typed, about, text in (
        ("\\u003d1+1", "filter", "=1+1"),
        ('"a\\tb"', "target", "a\tb"),
        ("a\\tb", "target", "a\tb"),
        ("no\\u0041thing", "text", "noathing"),
        ("a\\qb", "text", "a\\qb"),
    ):
        (term,) = understand(typed, known).terms
        assert (term.about, term.value) == (about, text)


def test_a_name_of_two_meanings_is_refused(tmp_path):
    """Where a name as it stands and as CSV writes it are two frames, none of them is marked."""
    from tests.tools import noise, write_frame

    write_frame(tmp_path / "frames" / "A.fits", noise(1))
    write_frame(tmp_path / "frames" / "\\u0041.fits", noise(2), DATE__OBS="2026-10-09T23:00:00")
    assert here(tmp_path, "scan", tmp_path / "frames").returncode == 0
    done = here(tmp_path, "mark", "\\u0041.fits", "reject")
    assert done.returncode == 2
    assert "write each backslash twice" in done.stderr
    assert here(tmp_path, "mark", "\\\\u0041.fits", "reject").returncode == 0
    assert here(tmp_path, "mark", "A.fits", "keep").returncode == 0
    graded = {row["path"].rsplit("/")[-1]: row["grade"] for row in cells(tmp_path, "frames")}
    assert graded == {"A.fits": "keep", "\\\\u0041.fits": "reject"}


def test_a_tree_of_links_stays_in_its_folder(home, scanned):
    """Every frame is linked, each to its own file; nothing is made outside, nothing lost."""
    here(home, "mark", "keep", "--yes", "--since", "2026-01-01")
    before = set(home.rglob("*"))
    done = here(home, "export", "--links", home / "out")
    assert done.returncode == 0, done.stderr
    made = [path for path in home.rglob("*") if path not in before]
    assert all(path.is_relative_to(home / "out") for path in made)
    links = [path for path in made if path.is_symlink()]
    assert sorted(os.fsencode(os.readlink(path)) for path in links) == sorted(scanned[1])
    assert {len(path.relative_to(home / "out").parts) for path in links} == {4}
    for path in made:
        if not path.is_symlink():
            assert path.name.isprintable()
            assert not path.name.startswith("-")
    again = here(home, "export", "--links", home / "out")
    assert f"0 linked, {len(links)} there before" in again.stderr


# --- shown ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def odd_once(scanned, tmp_path_factory):
    """Put controls, markup, bidi marks and formulas wherever a database holds text."""
    home = tmp_path_factory.mktemp("odd")
    _copy_database(scanned[0], home)
    here(home, "note", "remark", "--rig", "Ladybird 90/540 + MonoCam 9")
    here(home, "targets", "rename", "a/b", "Elsewhere")
    here(home, "correct", "filter", "Ha", "--target", "a:b")
    here(home, "mark", "keep", "--yes", "--target", "M 33")
    here(home, "goal", "M 33", "L", "30")
    engine = open_engine(str(home / "night.sqlite"))
    fault = {"name": "cloud", "grade": "doubtful", "evidence": ODD}
    question = {"code": "target", "text": ODD, "cure": ODD}
    with writing(engine) as connection:
        connection.execute(update(m.rig).values(name=m.rig.c.name + ODD))
        run = {"target": ODD, "filter": ODD, "target_raw": ODD, "note": ODD, "faults": [fault],
               "header_questions": [question], "run_questions": [question]}  # fmt: skip
        connection.execute(update(m.frame).values(**run))
        for table in (m.goal, m.run_sum):
            odd = {"target": table.c.target + ODD, "filter": table.c.filter + ODD}
            connection.execute(update(table).values(**odd))
        connection.execute(update(m.rig_note).values(night="2026-10-09", text=ODD, who=ODD))
        connection.execute(update(m.target_change).values(object=ODD, who=ODD))
        connection.execute(update(m.correction).values(value=ODD, who=ODD, selection=ODD))
        connection.execute(update(m.root).values(name=ODD))
    engine.dispose()
    return home


@pytest.fixture
def odd(odd_once, tmp_path):
    """Give such a database of one's own."""
    _copy_database(odd_once, tmp_path)
    return tmp_path


@pytest.mark.parametrize("form", ["", "--csv", "--json"])
@pytest.mark.parametrize("command", LISTINGS)
def test_no_listing_hands_a_control_on(odd, command, form):
    """The names are shown, and all that comes out can be printed, in every form."""
    done = here(odd, *command.split(), *form.split())
    assert done.returncode == 0, done.stderr
    assert "TITLE" in done.stdout
    assert harmless(done.stdout), command
    assert harmless(done.stderr), command


@pytest.mark.parametrize("command", SAYINGS)
def test_nothing_said_hands_a_control_on(odd, command):
    """Refusals, hints and reports repeat names, also those typed, harmlessly."""
    done = here(odd, *command.split())
    assert harmless(done.stdout), command
    assert harmless(done.stderr), command
    assert "Traceback" not in done.stderr
    assert done.stdout + done.stderr


@pytest.mark.parametrize("encoding", ["latin-1", "cp1252"])
@pytest.mark.parametrize("form", ["", "--csv"])
def test_a_stream_of_another_encoding(home, encoding, form):
    """Where a terminal or pipe is not UTF-8, what it lacks is written as escapes, no traceback."""
    here(home, "correct", "target", "Hα ☉ 銀河", "--rig", "Ladybird")
    environ = {"PYTHONIOENCODING": encoding}
    done = runlog(home, "frames", *form.split(), env=environ, encoding=encoding)
    assert done.returncode == 0, done.stderr
    assert "H\\u03b1 \\u2609 \\u9280\\u6cb3" in done.stdout
    assert "Traceback" not in done.stderr


def through_a_terminal(home, *words):
    """Run the command in a terminal of its own; give the bytes that reach it."""
    env = environment(home, RUNLOG_DB=str(home / "night.sqlite"), TERM="dumb")
    process, terminal = pty.fork()
    if process == 0:
        os.chdir(home)
        os.execvpe(argv()[0], argv(*words), env)
    said = b""
    try:
        while piece := os.read(terminal, 65536):
            said += piece
    except OSError:  # the other end is closed: that is how a terminal says so on Linux
        pass
    assert os.waitstatus_to_exitcode(os.waitpid(process, 0)[1]) == 0, said
    os.close(terminal)
    return said.decode()


@pytest.mark.parametrize("form", ["", "--csv", "--json"])
def test_export_to_a_terminal(home, form):
    """A list of paths is bytes in a pipe, but lines that can be printed where a person reads."""
    here(home, "mark", "keep", "--yes", "--target", "M 33")
    said = through_a_terminal(home, "export", *form.split())
    assert "bidi\\u202egpj" in said
    assert all(line.isprintable() for line in said.replace("\r\n", "\n").split("\n"))


def test_export_to_a_pipe_gives_the_names_themselves(home, scanned):
    """With -0 every name comes out as it is on disk; without, a name of two lines is told."""
    here(home, "mark", "keep", "--yes", "--since", "2026-01-01")
    listed = os.fsencode(here(home, "export", "-0").stdout).split(b"\0")
    assert sorted(filter(None, listed)) == sorted(scanned[1])
    assert "1 path holds a line break; -0 ends each path with a null byte" in (
        here(home, "export").stderr
    )
    assert "line break" not in here(home, "export", "-0").stderr
