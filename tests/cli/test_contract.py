"""The promises of the command line: words, keys, codes, streams."""

import csv
import io
import json
import os
import re
import subprocess
import sys

import pytest
from click.testing import CliRunner

from runlog.cli import COMMANDS, cli
from tests.tools import ROOT, environment, here, moment, noise, runlog, runlog_json, write_run

FRAME_KEYS = """path paths missing fingerprint kind night rig target filter taken_at_utc exposure_s
binning gain offset sensor_c set_c focus_pos focus_c pier_side airmass moon_alt_deg moon_sep_deg
stars fwhm_px fwhm_px_err fwhm_arcsec axis_ratio eccentricity eccentricity_err elongation_deg
alignment hfr_px background_adu noise_adu pedestal_adu gradient_pct throughput transparency
shift_x_px shift_y_px rotation_deg effective_s effective_form clipped_stars streaks field grade
graded_by faults evidence note error""".split()
TOTAL_KEYS = """target filter frames logged_s kept_s doubtful_s rejected_s ungraded_s effective_s
goal_s to_go_s frames_to_go nights""".split()
NIGHT_KEYS = """night rig dark_start_utc dark_end_utc first_utc last_utc open_shutter_s elapsed_s
overhead_median_s counts added verdicts events""".split()
PARTS = {"tracking", "focus", "pointing", "camera", "sky", "optics", "schedule"}
UTC_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z")


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """Scan a night of 71 five-minute frames, twelve seconds of read-out after each."""
    home = tmp_path_factory.mktemp("night")
    write_run(home / "frames", 71)
    done = here(home, "scan", home / "frames")
    assert done.returncode == 0, done.stderr
    return home


@pytest.fixture
def small(tmp_path):
    """Scan three frames into a database of their own."""
    write_run(tmp_path / "frames", 3)
    assert here(tmp_path, "scan", tmp_path / "frames").returncode == 0
    return tmp_path


# --- facts of the trade ---------------------------------------------------------------------


def test_71_frames_in_the_totals(home):
    """71 frames of 5 minutes are 355 minutes, 5 h 55 min (common practice, no source)."""
    (row,) = runlog_json(home, "totals")["rows"]
    assert (row["frames"], row["logged_s"], row["nights"]) == (71, 355 * 60, 1)
    assert "5 h 55 min" in here(home, "totals").stdout


def test_71_frames_with_12_s_of_read_out(home):
    """With 12 s of read-out after each, 22,152 s pass and the shutter is open 96 % of them.

    Common practice, no source. The night runs from the first opening to the last closing of the
    shutter, so the read-out after the last frame is added here.
    """
    row = runlog_json(home, "night")
    assert row["open_shutter_s"] == 71 * 300
    assert row["overhead_median_s"] == pytest.approx(12, abs=0.01)
    assert row["elapsed_s"] + row["overhead_median_s"] == pytest.approx(22_152, abs=0.1)
    assert round(100 * row["open_shutter_s"] / row["elapsed_s"]) == 96
    assert round(100 * row["open_shutter_s"] / 22_152) == 96
    assert "96%" in here(home, "night").stdout


# --- JSON and CSV ---------------------------------------------------------------------------


def test_frames_json(home):
    """`frames --json` has its schema and every promised key, one row a frame."""
    body = runlog_json(home, "frames")
    assert body["schema"] == "runlog.frames/1"
    assert len(body["rows"]) == 71
    for row in body["rows"]:
        assert set(FRAME_KEYS) <= set(row)
        assert UTC_TIME.fullmatch(row["taken_at_utc"])
        assert row["grade"] in ("keep", "doubtful", "reject", "ungraded")
        assert row["graded_by"] == "auto"
        assert set(row["evidence"]) == set(row["faults"])
        assert row["fwhm_px"] is None  # an empty frame: nothing is made up
        assert os.path.exists(row["path"])
        assert row["paths"] == [row["path"]]
    assert [r["taken_at_utc"] for r in body["rows"]] == sorted(
        r["taken_at_utc"] for r in body["rows"]
    )


def test_measure_json(home):
    """`measure --json` has the same keys and needs no database."""
    done = here(home, "measure", "frames/light_0000.fits", "--json",
                env={"RUNLOG_DB": "/nowhere/x.sqlite"})  # fmt: skip
    assert done.returncode == 0, done.stderr
    body = json.loads(done.stdout)
    assert body["schema"] == "runlog.measure/1"
    (row,) = body["rows"]
    assert set(FRAME_KEYS) <= set(row)
    assert row["stars"] == 0
    assert row["grade"] is None
    assert row["fingerprint"] == runlog_json(home, "frames")["rows"][0]["fingerprint"]


def test_totals_json(home):
    """`totals --json` has its schema and keys; the four grades add up to logged."""
    body = runlog_json(home, "totals")
    assert body["schema"] == "runlog.totals/1"
    (row,) = body["rows"]
    assert set(TOTAL_KEYS) <= set(row)
    parts = ("kept_s", "doubtful_s", "rejected_s", "ungraded_s")
    assert sum(row[part] for part in parts) == row["logged_s"]


def test_night_json(home):
    """`night --json` has its schema, keys, counts by grade and a verdict for each part."""
    body = runlog_json(home, "night", "2026-10-09")
    assert body["schema"] == "runlog.night/1"
    assert set(NIGHT_KEYS) <= set(body)
    assert sum(body["counts"].values()) == 71
    assert set(body["verdicts"]) == PARTS
    for verdict in body["verdicts"].values():
        assert verdict["verdict"] in ("good", "fair", "poor", "unknown")
        assert verdict["evidence"]
    for key in ("dark_start_utc", "dark_end_utc", "first_utc", "last_utc"):
        assert UTC_TIME.fullmatch(body[key])
    assert body["added"][0]["logged_s"] == 71 * 300


def test_nights_json(home):
    """`nights --json` has a row a run, and says where local noon came from."""
    body = runlog_json(home, "nights")
    assert body["schema"] == "runlog.nights/1"
    (row,) = body["rows"]
    assert (row["night"], row["frames"]) == ("2026-10-09", 71)
    assert row["night_from"] == "longitude in the header"


@pytest.mark.parametrize("command", ["frames", "totals", "nights"])
def test_csv_parses(home, command):
    """`--csv` is CSV with a heading, the JSON's values, and nested ones as JSON text."""
    table = list(csv.DictReader(io.StringIO(here(home, command, "--csv").stdout)))
    body = runlog_json(home, command)["rows"]
    assert len(table) == len(body)
    for line, row in zip(table, body, strict=True):
        for key, value in row.items():
            if isinstance(value, list | dict):
                assert json.loads(line[key]) == value
            elif isinstance(value, bool):
                assert line[key] == str(value)
            elif isinstance(value, int | float):
                assert float(line[key]) == value
            else:
                assert line[key] == (value or "")


def test_measure_csv_parses(home):
    """`measure --csv` is CSV with a heading."""
    done = here(home, "measure", "frames/light_0000.fits", "--csv")
    (line,) = csv.DictReader(io.StringIO(done.stdout))
    assert line["stars"] == "0"


def test_stdout_holds_only_data(small):
    """Talk goes to stderr: stdout of every JSON command parses, a scan's is empty."""
    scan = here(small, "scan")
    assert scan.stdout == ""
    assert "unchanged" in scan.stderr
    for words in (["scan", "--json"], ["night", "--json"], ["check", "--json"]):
        json.loads(here(small, *words).stdout)
    assert here(small, "goal", "M33", "L", "3").stdout == ""
    assert here(small, "mark", "light_0000.fits", "keep").stdout == ""


def test_empty_database_lists_nothing(tmp_path):
    """With nothing stored, listings are empty and say what to do; no night is wrong usage."""
    assert here(tmp_path, "scan", ".").returncode == 0
    for command in ("frames", "totals", "nights"):
        done = here(tmp_path, command)
        assert (done.returncode, done.stdout) == (0, "")
        assert done.stderr
        assert runlog_json(tmp_path, command)["rows"] == []
    assert here(tmp_path, "night").returncode == 2


# --- options --------------------------------------------------------------------------------


def test_the_database_may_be_named_anywhere(small, tmp_path):
    """--db before or after the command and RUNLOG_DB name the database; the nearest wins."""
    other = str(tmp_path / "other.sqlite")
    (tmp_path / "empty").mkdir()
    assert here(small, "--db", other, "scan", tmp_path / "empty").returncode == 0
    for words in (["--db", other, "totals"], ["totals", "--db", other]):
        assert here(small, *words, "--csv").stdout.count("\n") == 1
    assert here(small, "totals", "--csv").stdout.count("\n") == 2
    url = f"sqlite:///{small / 'night.sqlite'}"
    assert here(small, "--db", other, "totals", "--db", url, "--csv").stdout.count("\n") == 2


def test_the_config_may_be_named_anywhere(small):
    """--config before or after the command and RUNLOG_CONFIG name the config file."""
    bad = small / "bad.toml"
    bad.write_text("[nonsense]\n")
    for words in (["--config", str(bad), "totals"], ["totals", "--config", str(bad)]):
        assert here(small, *words).returncode == 3
    assert here(small, "totals", env={"RUNLOG_CONFIG": str(bad)}).returncode == 3


def test_the_default_places(tmp_path):
    """Without options the database lies in the user's data folder, and no config is needed."""
    env = environment(tmp_path)
    line = [sys.executable, "-m", "runlog", "scan", "."]
    subprocess.run(line, env=env, cwd=tmp_path, check=True, capture_output=True)
    made = [path.name for path in tmp_path.rglob("*") if path.is_file()]
    assert "runlog.sqlite" in made
    assert not [name for name in made if name.endswith(".toml")]


def test_importing_creates_nothing(tmp_path):
    """Importing the config, or loading it, makes no file and no folder."""
    code = "import runlog.config as c; c.load_settings(None); c.default_database()"
    subprocess.run(
        [sys.executable, "-c", code], env=environment(tmp_path), cwd=tmp_path, check=True
    )
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "words",
    [
        ["nonsense"],
        ["frames", "--grade", "lovely"],
        ["frames", "--night", "someday"],
        ["night", "2026-13-01"],
        ["night", "1999-01-01"],
        ["scan", "--workers", "0"],
        ["mark", "reject"],
        ["mark", "nowhere.fits", "reject"],
        ["mark", "light_0000.fits", "lovely"],
        ["measure"],
        ["goal", "M33", "L"],
    ],
)
def test_wrong_usage(home, words):
    """Wrong words end with exit code 2, a reason on stderr and no traceback."""
    done = here(home, *words)
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    assert done.stderr
    assert "Traceback" not in done.stderr


def test_a_bad_file_among_good_ones_to_measure(home):
    """`measure` shows what it can read, names what it cannot, and ends with exit code 1."""
    (home / "bad.fits").write_bytes(b"no")
    done = here(home, "measure", "bad.fits", "frames/light_0000.fits", "--json")
    assert done.returncode == 1
    assert len(json.loads(done.stdout)["rows"]) == 2
    assert "bad.fits" in done.stderr


@pytest.mark.parametrize(
    ("words", "count"),
    [
        (["--target", "messier33"], 71),
        (["--filter", "Luminance"], 71),
        (["--rig", "ladybird"], 71),
        (["--night", "2026-10-09"], 71),
        (["--night", "2026-10-10"], 0),
        (["--grade", "keep", "--fault", "trailed"], 0),
    ],
)
def test_narrowing(home, words, count):
    """Options of `frames` take any spelling; a night or fault that fits nothing lists nothing."""
    assert len(runlog_json(home, "frames", *words)["rows"]) == count


@pytest.mark.parametrize("words", [["--filter", "Ha"], ["--filter", "none"], ["--rig", "%"]])
def test_narrowing_by_what_there_is_not(home, words):
    """A filter or rig that no frame has is said to be unknown."""
    done = here(home, "frames", *words)
    assert (done.returncode, done.stdout) == (2, "")


# --- help and documents ---------------------------------------------------------------------


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(command):
    """Each command explains itself, below a group each of its own, and takes --db."""
    assert COMMANDS[command].endswith(".")
    found = cli.get_command(None, command)
    below = [[command, name] for name in getattr(found, "commands", {})] or [[command]]
    for words in below:
        result = CliRunner().invoke(cli, [*words, "--help"])
        assert result.exit_code == 0
        assert len(result.output.splitlines()) > 4
        assert command in ("schema", "guide") or "--db" in result.output


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_the_readme(command):
    """The README names every command."""
    assert f"runlog {command}" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_help_lists_every_command():
    """`runlog --help` names all commands, in the order a morning uses them."""
    output = CliRunner().invoke(cli, ["--help"]).output
    assert re.findall(r"^  (\w+)  ", output, re.M) == list(COMMANDS)


def test_help_imports_nothing_heavy(tmp_path):
    """`--help` must be quick: no database, no numbers, no sky library is imported for it."""
    code = (
        "import sys; from runlog.cli import _run; sys.argv = ['runlog', '--help']; _run();"
        "print([m for m in ('sqlalchemy', 'numpy', 'astropy', 'rich', 'alembic') "
        "if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment(tmp_path), capture_output=True, text=True
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_version(tmp_path):
    """`runlog --version` names a version."""
    assert re.search(r"\d+\.\d+\.\d+", runlog(tmp_path, "--version").stdout)


def test_a_reader_that_leaves(home):
    """Piping into `head` ends quietly."""
    command = f"{sys.executable} -m runlog frames --json | head -1"
    env = environment(home, RUNLOG_DB=str(home / "night.sqlite"))
    done = subprocess.run(command, shell=True, env=env, capture_output=True, text=True)
    assert done.stderr == ""
    assert done.stdout == "{\n"


# --- marks and goals ------------------------------------------------------------------------


def marks_of(home):
    """Read the history of marks as (grade, note, undoes)."""
    from runlog.actions.open import open_store
    from runlog.config import Settings
    from runlog.store import models as m
    from runlog.store.engine import reading

    engine = open_store(str(home / "night.sqlite"), Settings())
    with reading(engine) as connection:
        found = connection.execute(m.mark.select().order_by(m.mark.c.id)).all()
    engine.dispose()
    return [(row.grade, row.note, row.undoes) for row in found]


def graded(home, name):
    """Give a frame's grade, who gave it, and its note."""
    (row,) = (r for r in runlog_json(home, "frames")["rows"] if r["path"].endswith(name))
    return row["grade"], row["graded_by"], row["note"]


def test_marks_outrank_and_are_taken_back(small):
    """A mark outranks the automatic grade and moves the totals; `auto` takes it back."""
    before, auto = runlog_json(small, "totals")["rows"], graded(small, "light_0001.fits")
    path = small / "frames" / "light_0001.fits"
    here(small, "mark", path, "keep", "--note", "looked at it")
    assert graded(small, "light_0001.fits") == ("keep", "person", "looked at it")
    here(small, "mark", path, "reject")
    (row,) = runlog_json(small, "totals")["rows"]
    assert row["rejected_s"] >= 300
    here(small, "mark", path, "auto")
    assert graded(small, "light_0001.fits") == auto
    assert runlog_json(small, "totals")["rows"] == before


def test_mark_history_is_append_only(small):
    """Every mark stays, each pointing at the one it replaces."""
    for grade in ("keep", "reject", "auto", "doubtful"):
        assert here(small, "mark", "light_0000.fits", grade).returncode == 0
    assert marks_of(small) == [
        ("keep", None, None),
        ("reject", None, 1),
        ("auto", None, 2),
        ("doubtful", None, 3),
    ]


def test_frames_may_be_named_by_path_name_or_key(small):
    """A relative path, a file's name and the start of a key all name a frame."""
    key = runlog_json(small, "frames")["rows"][2]["fingerprint"]
    words = ["frames/light_0000.fits", "light_0001.fits", key[:12]]
    assert here(small, "mark", *words, "reject").returncode == 0
    assert runlog_json(small, "totals")["rows"][0]["rejected_s"] == 900


def test_marks_are_all_or_nothing(small):
    """When one of the frames named is unknown, none is marked."""
    done = here(small, "mark", "light_0000.fits", "nowhere.fits", "reject")
    assert done.returncode == 2
    assert "nowhere.fits" in done.stderr
    assert marks_of(small) == []


def test_an_ambiguous_name_marks_nothing(small):
    """A file name that two nights share is refused, not guessed."""
    from tests.tools import write_frame

    write_frame(small / "frames" / "second" / "light_0000.fits", noise(77), DATE__OBS=moment(9000))
    here(small, "scan")
    done = here(small, "mark", "light_0000.fits", "reject")
    assert done.returncode == 2
    assert "2 frames" in done.stderr


def test_marks_survive_a_move(small):
    """A frame that moved to another folder keeps the grade a person gave it."""
    here(small, "mark", "light_0001.fits", "keep", "--note", "mine")
    os.rename(small / "frames", small / "archive")
    here(small, "scan", small / "archive")
    assert graded(small, "light_0001.fits") == ("keep", "person", "mine")
    assert here(small, "mark", small / "archive" / "light_0001.fits", "auto").returncode == 0


def test_goals(small):
    """A goal shows hours to go in totals; a new one replaces it; 0 removes it."""
    assert here(small, "goal", "messier 33", "Lum", "2").returncode == 0
    (row,) = runlog_json(small, "totals")["rows"]
    assert (row["target"], row["goal_s"]) == ("M 33", 7200)
    assert row["to_go_s"] == 7200 - row["kept_s"]
    here(small, "goal", "M33", "L", "0.1")
    assert runlog_json(small, "totals")["rows"][0]["goal_s"] == 360
    here(small, "goal", "M33", "L", "0")
    (row,) = runlog_json(small, "totals")["rows"]
    assert (row["goal_s"], row["to_go_s"], row["frames_to_go"]) == (None, None, None)


def test_a_goal_without_frames_is_listed(small):
    """What was never shot is what is most to go."""
    here(small, "goal", "NGC7000", "Ha", "8", "--new")
    rows = {r["target"]: r for r in runlog_json(small, "totals")["rows"]}
    assert rows["NGC 7000"]["frames"] == 0
    assert rows["NGC 7000"]["to_go_s"] == 8 * 3600


@pytest.mark.parametrize("hours", ["-1", "nan", "inf", "100000", "many", "1e400"])
def test_absurd_goals_are_refused(small, hours):
    """A goal that makes no sense is wrong usage and changes nothing."""
    assert here(small, "goal", "M33", "L", hours).returncode == 2
    assert runlog_json(small, "totals")["rows"][0]["goal_s"] is None


def test_the_real_command_agrees(small):
    """What the tests run in their own process is what the command prints."""
    assert runlog(small, "totals", "--json").stdout == here(small, "totals", "--json").stdout
