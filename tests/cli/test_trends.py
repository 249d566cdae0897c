"""runlog trends on real databases of a season of drawn numbers."""

import csv
import io
import shutil
import sqlite3
from contextlib import closing
from datetime import date, timedelta

import numpy as np
import pytest

from runlog.actions.run_series import dated_series
from runlog.core.selection import EVERYTHING
from runlog.store.engine import open_engine, reading
from runlog.store.migrate import ready
from runlog.store.run_series import runs_without
from tests.measured import Night, outcomes, put
from tests.tools import here, runlog_json

NIGHTS, STEP = 24, 12
KEYS = """series rig filter setting unit runs first last usual slope_per_year low high p p_adjusted
change_night change_size change_p change_p_adjusted after verdict reason points""".split()


def evening(i):
    """Name the i-th night, five days apart."""
    return (date(2026, 8, 20) + timedelta(days=5 * i)).isoformat()


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """A home with 24 nights of one rig; from the 13th on stars are stretched, after a note."""
    home = tmp_path_factory.mktemp("season")
    engine = ready(open_engine(str(home / "night.sqlite")))
    random = np.random.default_rng(3)
    for i in range(NIGHTS):
        wide = 1 + 0.01 * float(random.standard_normal())
        stretch = (0.34 if i >= STEP else 0.20) + 0.01 * float(random.standard_normal())
        put(engine, outcomes(Night(evening(i), frames=12, times=wide, eccentricity=stretch)))
    engine.dispose()
    note = here(home, "note", "swapped the flattener", "--date", evening(STEP), "--remark")
    assert note.returncode == 0, note.stderr
    return home


def test_a_season_in_json(home):
    """Every key of the specification; the step in the stretch, its night, and the note that fits.

    What a drawn eccentricity e gives in ellipticity: q = sqrt(1 - e^2), (1 - q) / (1 + q).
    """
    body = runlog_json(home, "trends")
    assert body["schema"] == "runlog.trends/1"
    rows = {row["series"]: row for row in body["rows"]}
    assert all(list(row) == KEYS for row in body["rows"])
    found = rows["eccentricity"]
    assert (found["verdict"], found["runs"]) == ("changed", NIGHTS)
    assert found["change_night"] == evening(STEP)
    assert found["change_size"] == pytest.approx(0.14, abs=0.02)
    assert found["after"] == "swapped the flattener"
    q = [np.sqrt(1 - e**2) for e in (0.20, 0.34)]
    grown = (1 - q[1]) / (1 + q[1]) - (1 - q[0]) / (1 + q[0])
    assert rows["elongation"]["change_size"] == pytest.approx(grown, rel=0.15)
    assert rows["fwhm"]["verdict"] == "steady"
    assert rows["overhead"]["usual"] == pytest.approx(12.0)
    assert rows["bias-level"]["runs"] == 0
    assert rows["bias-level"]["reason"].startswith("unknown, because no night tells it")


def test_a_choice_of_series_changes_no_verdict(home):
    """--what and --filter choose what is shown, not what is judged together."""
    every = {(r["series"], r["setting"]): r for r in runlog_json(home, "trends")["rows"]}
    some = runlog_json(home, "trends", "--what", "eccentricity,yield", "--filter", "L")["rows"]
    assert {r["series"] for r in some} == {"eccentricity", "yield"}
    assert all(every[r["series"], r["setting"]] == r for r in some)


def test_since_takes_the_earlier_nights_away(home):
    """From the step on there are twelve nights: a trend is asked for, no change."""
    (row,) = runlog_json(home, "trends", "--since", evening(STEP), "--what", "eccentricity")["rows"]
    assert (row["runs"], row["first"], row["change_night"]) == (12, evening(STEP), None)
    (row,) = runlog_json(home, "trends", "--since", evening(20), "--what", "eccentricity")["rows"]
    assert (row["verdict"], row["slope_per_year"]) == ("too-few", None)


def test_csv_and_the_screen(home):
    """CSV holds the same rows; the screen a line a series, what moved, and what is unknown."""
    rows = list(csv.DictReader(io.StringIO(here(home, "trends", "--csv").stdout)))
    assert list(rows[0]) == KEYS
    shown = here(home, "trends").stdout
    assert "after: swapped the flattener" in shown
    assert "▁" in shown
    assert "█" in shown
    unknown = shown.split("Unknown\n")[1].splitlines()
    assert unknown[-1] == (
        "  noise of bias frames, dark signal, level of bias frames: no night tells them, and a "
        "trend needs 12 (--json has the reason of each)"
    )


def test_few_nights_are_told_in_one_line(tmp_path):
    """Guards a screen of reasons that are all the same: a rig of three nights has no trend yet."""
    engine = ready(open_engine(str(tmp_path / "night.sqlite")))
    for i in range(3):
        put(engine, outcomes(Night(evening(i))))
    engine.dispose()
    unknown = here(tmp_path, "trends").stdout.split("Unknown\n")[1].splitlines()
    assert len(unknown) == 1
    assert "kinds of series: at most 3 nights tell them, and a trend needs 12" in unknown[0]


@pytest.mark.parametrize(
    "words", [("--what", "seeing"), ("--what", ","), ("--since", "soon"), ("--rig", "nobody's")]
)
def test_what_cannot_be_chosen_is_said(home, words):
    """A series, date or rig that is not there is wrong usage, with what there is."""
    done = here(home, "trends", *words)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_an_empty_database_says_so(tmp_path):
    """No night is no error."""
    ready(open_engine(str(tmp_path / "night.sqlite"))).dispose()
    done = here(tmp_path, "trends")
    assert (done.returncode, done.stdout) == (0, "")
    assert "No dated night is stored yet" in done.stderr
    assert runlog_json(tmp_path, "trends")["rows"] == []


# --- what is kept with each run ---------------------------------------------------------------


def forget(home, which="1"):
    """Take away what runs say, as before it was kept; gives how many rows there were."""
    with closing(sqlite3.connect(home / "night.sqlite")) as connection, connection:
        return connection.execute(f"DELETE FROM run_series WHERE {which}").rowcount


def told(home):
    """Give everything that rests on it."""
    return runlog_json(home, "trends"), runlog_json(home, "night", evening(STEP))


def test_what_is_not_kept_is_reckoned_and_kept_from_then_on(home):
    """After an upgrade the answers are the same, and the next command finds every run's row."""
    before = told(home)
    assert forget(home, "run_id % 2 = 0") == NIGHTS // 2
    engine = open_engine(str(home / "night.sqlite"))
    with reading(engine) as connection:  # as one that may not write reads it
        rigs = dated_series(connection, EVERYTHING)
        assert len(runs_without(connection)) == NIGHTS // 2
    engine.dispose()
    ((_, runs),) = rigs.values()
    assert told(home) == before
    assert forget(home) == NIGHTS
    assert told(home) == before
    engine = open_engine(str(home / "night.sqlite"))
    with reading(engine) as connection:
        assert dated_series(connection, EVERYTHING) == rigs
    engine.dispose()
    assert len(runs) == NIGHTS


def test_a_mark_moves_the_points_of_its_night(home, tmp_path):
    """One frame taken out of a night of twelve: its yield falls by as much, no other's moves."""
    shutil.copy(home / "night.sqlite", tmp_path)
    before = yields(tmp_path)
    done = here(tmp_path, "mark", "--night", evening(3), "--last", "reject")
    assert done.returncode == 0, done.stderr
    after = yields(tmp_path)
    assert after == before | {evening(3): pytest.approx(before[evening(3)] - 1 / 12)}


def yields(home):
    """Give the yield by night."""
    (row,) = runlog_json(home, "trends", "--what", "yield")["rows"]
    return dict(row["points"])
