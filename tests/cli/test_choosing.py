"""Every command that narrows frames takes the same options and answers alike."""

import shlex

import pytest
from click.testing import CliRunner

from runlog.cli import cli
from runlog.cli.choosing import OPTIONS
from tests.tools import here, noise, runlog_json, write_frame

# What is left out where it makes no sense; the commands' own code says why.
WITHOUT = {
    "frames": "", "totals": "", "nights": "", "targets": "", "correct": "", "mark": "",
    "night": "night", "export": "grade", "calibration": "grade", "forecast": "night grade fault",
    "focus": "target grade fault", "alignment": "target filter grade fault",
}  # fmt: skip
ASKING = [
    "frames", "totals", "totals --by night", "totals --publish", "nights", "night", "export",
    "calibration", "forecast", "targets", "targets list",
    "correct --list",
    "correct date '1h later' --dry-run", "mark keep --yes",
]  # fmt: skip


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """Scan a mosaic of two panels and another target, on two nights, all kept by a person."""
    home = tmp_path_factory.mktemp("choosing")
    shots = [
        ("2026-10-08T20:00:00", "M33", "L"), ("2026-10-08T20:10:00", "M33", "Ha"),
        ("2026-10-09T20:00:00", "NGC7000", "Ha"), ("2026-10-09T20:10:00", "NGC7000_Panel1", "Ha"),
        ("2026-10-09T20:20:00", "NGC7000_Panel2", "Ha"), ("2026-10-09T20:30:00", "M33", "L"),
    ]  # fmt: skip
    for number, (start, target, name) in enumerate(shots):
        cards = {"DATE__OBS": start, "OBJECT": target, "FILTER": name}
        write_frame(home / "frames" / f"f{number}.fits", noise(number), **cards)
    assert here(home, "scan", home / "frames").returncode == 0
    assert here(home, "mark", "keep", "--yes", "--since", "2026-10-01").returncode == 0
    return home


@pytest.mark.parametrize("name", WITHOUT)
def test_the_same_options(name):
    """Each listing has all of them but those named; their help is one text."""
    command = cli.get_command(None, name)
    helped = {p.opts[0]: p.help for p in command.params if p.param_type_name == "option"}
    wanted = {f"--{option}" for option in OPTIONS} - {f"--{o}" for o in WITHOUT[name].split()}
    assert {o for o in helped if o.strip("-") in OPTIONS} == wanted
    assert CliRunner().invoke(cli, [name, "--help"]).exit_code == 0


@pytest.mark.parametrize("words", ASKING)
@pytest.mark.parametrize(
    ("option", "typed", "said"),
    [
        ("--target", "NGC 7001", "No frame of NGC 7001 is stored\n  Did you mean NGC 7000"),
        ("--filter", "nosuch", "No light frame was taken through nosuch\n  Used: Ha, L"),
        ("--rig", "Ladybug", "No rig is called 'Ladybug'\n  Did you mean Ladybird"),
        ("--since", "someday", "'someday' is not a date"),
        ("--season", "monsoon 2026", "'monsoon 2026' is no season"),
        ("--target", "", "An option is empty"),
    ],
)
def test_what_there_is_not_is_said_alike(home, words, option, typed, said):
    """An empty answer would read as "nothing is there": what is near is named instead."""
    done = here(home, *shlex.split(words), option, typed)
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr


def test_a_mosaic_is_its_panels_everywhere(home):
    """`--target NGC7000` is three frames, one name and two panels, whoever asks."""
    mosaic = ["--target", "ngc7000"]
    assert len(runlog_json(home, "frames", *mosaic)["rows"]) == 3
    assert len(runlog_json(home, "totals", *mosaic)["rows"]) == 3
    assert len(runlog_json(home, "export", *mosaic)["rows"]) == 3
    assert len(runlog_json(home, "targets", *mosaic)["rows"]) == 3
    (run,) = runlog_json(home, "nights", *mosaic)["rows"]
    assert (run["night"], run["frames"]) == ("2026-10-09", 3)
    said = here(home, "correct", "date", "1h later", *mosaic, "--dry-run").stderr
    assert "date of 3 frames" in said
    assert len(runlog_json(home, "frames", "--target", "NGC 7000 panel 2")["rows"]) == 1


def test_the_last_night_that_has_such_frames(home):
    """`night --filter Ha --target M33` is the night before the last, told whole."""
    row = runlog_json(home, "night", "--target", "M33", "--filter", "Ha")
    assert (row["night"], sum(row["counts"].values())) == ("2026-10-08", 2)
    done = here(home, "night", "2026-10-08", "--target", "NGC7000")
    assert done.returncode == 2
    assert "No frames of the night of 2026-10-08 are stored that fit" in done.stderr


def test_a_part_of_the_totals_by_frames(home):
    """Grade and fault choose frames; what is to go stays that of all of them."""
    assert here(home, "goal", "M33", "L", "1").returncode == 0
    (row,) = runlog_json(home, "totals", "--night", "2026-10-09", "--filter", "L")["rows"]
    assert (row["frames"], row["kept_s"], row["to_go_s"]) == (1, 300.0, 3000.0)
    (row,) = runlog_json(home, "totals", "--grade", "keep", "--target", "M33", "--filter", "L")[
        "rows"
    ]
    assert (row["frames"], row["kept_s"], row["to_go_s"]) == (2, 600.0, 3000.0)
    assert runlog_json(home, "totals", "--grade", "reject")["rows"] == []
    whole = [r for r in runlog_json(home, "totals")["rows"] if r["filter"] == "Ha"]
    assert runlog_json(home, "totals", "--filter", "h-alpha")["rows"] == whole


def test_corrections_of_some_frames(home):
    """`correct --list` with a target lists what was corrected of it, and what undid that."""
    corrected = here(home, "correct", "filter", "SII", "f1.fits")
    assert corrected.returncode == 0, corrected.stderr
    assert here(home, "correct", "--undo").returncode == 0
    listed = runlog_json(home, "correct", "--list", "--target", "M33", "--filter", "Ha")["rows"]
    assert [row["field"] for row in listed] == ["filter", "undo"]
    assert runlog_json(home, "correct", "--list", "--target", "NGC7000")["rows"] == []


def test_unreadable_files_tell_no_night(home):
    """A file that is no frame cannot be asked for by night."""
    done = here(home, "frames", "--fault", "unreadable", "--night", "2026-10-09")
    assert (done.returncode, "tells no night" in done.stderr) == (2, True)
    assert runlog_json(home, "frames", "--fault", "unreadable")["rows"] == []
