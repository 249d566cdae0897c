"""runlog worth and mark --as-advised on a real database of a drawn night."""

import csv
import io

import pytest

from runlog.store.engine import open_engine
from runlog.store.migrate import ready
from tests.measured import Night, outcomes, put
from tests.tools import here, runlog_json

KEYS = """fingerprint path night taken_at_utc target filter rig exposure_s grade faults light
half_rule depth_change star_depth_change width_change depth_change_best star_depth_change_best
width_change_best advice why""".split()
DIM = {3: 0.75, 7: 0.70, 11: 0.25, 12: 0.2}


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """A home with a night of 20 frames, four of which lost light: two a little, two much."""
    home = tmp_path_factory.mktemp("worth")
    engine = ready(open_engine(str(home / "night.sqlite")))
    own = {n: {"light": light} for n, light in DIM.items()}
    put(engine, outcomes(Night("2026-10-09", frames=20, own=own)))
    engine.dispose()
    for n in DIM:
        assert here(home, "mark", f"2026-10-09_L_M33_{n:03d}.fits", "doubtful").returncode == 0
    return home


def test_rows_and_pictures(home):
    """Every key; light is what was drawn; the half rule decides; the sentence counts."""
    body = runlog_json(home, "worth")
    assert body["schema"] == "runlog.worth/1"
    rows = {int(r["path"][-8:-5]): r for r in body["rows"]}
    assert all(list(row) == KEYS for row in body["rows"])
    assert set(rows) == set(DIM)
    for n, light in DIM.items():
        assert rows[n]["light"] == pytest.approx(light, rel=0.04)
    assert [rows[n]["advice"] for n in DIM] == ["keep", "keep", "drop", "drop"]
    (picture,) = body["pictures"]
    assert (picture["kept"], picture["keep"], picture["drop"]) == (16, 2, 2)
    assert "keep 2 of 4 doubtful" in picture["text"]


def test_the_choice_of_frames_leaves_the_picture(home):
    """A selection chooses what is asked about; the picture is of all kept frames."""
    whole = {r["fingerprint"]: r for r in runlog_json(home, "worth")["rows"]}
    some = runlog_json(home, "worth", "--grade", "doubtful", "--night", "2026-10-09")["rows"]
    assert {r["fingerprint"]: r for r in some} == whole
    assert len(runlog_json(home, "worth", "--grade", "keep")["rows"]) == 16
    rows = list(csv.DictReader(io.StringIO(here(home, "worth", "--csv").stdout)))
    assert list(rows[0]) == KEYS
    shown = here(home, "worth").stdout
    assert "even at" in shown and "keep 2 of 4 doubtful" in shown


def test_dither(home):
    """The drawn night is dithered by up to 8 px; its stars are sampled well."""
    body = runlog_json(home, "worth", "--dither")
    assert body["schema"] == "runlog.dither/1"
    (row,) = body["rows"]
    assert row["frames"] == 16 and row["most_on_one"] <= 2 and row["places"] >= 14
    assert row["fwhm_px"] == pytest.approx(2.4, rel=0.03)
    assert row["text"] in here(home, "worth", "--dither").stdout
    assert here(home, "worth", "--dither", "--csv").stdout.startswith("target,filter,rig,frames")


def test_mark_as_advised(home):
    """A preview first, and nothing marked where nobody answers; then both marks; then nothing."""
    asked = here(home, "mark", "--as-advised")
    assert asked.returncode == 2
    assert "2 frames would be marked keep" in asked.stderr
    assert "2 frames would be marked reject" in asked.stderr
    assert "Nothing is marked yet" in asked.stderr
    assert len(runlog_json(home, "frames", "--grade", "doubtful")["rows"]) == 4
    for wrong in (["keep"], ["--last"]):
        assert here(home, "mark", "--as-advised", *wrong).returncode == 2
    done = here(home, "mark", "--as-advised", "--yes")
    assert done.returncode == 0, done.stderr
    assert len(runlog_json(home, "frames", "--grade", "reject")["rows"]) == 2
    assert len(runlog_json(home, "frames", "--grade", "keep")["rows"]) == 18
    assert "Nothing is advised" in here(home, "mark", "--as-advised").stderr
    assert "nothing to decide" in here(home, "worth").stderr
