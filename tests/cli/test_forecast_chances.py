"""runlog forecast: dates with chances, on a real database of drawn nights."""

from datetime import date, timedelta

import pytest

from runlog.store.engine import open_engine
from runlog.store.migrate import ready
from tests.measured import Night, outcomes, put
from tests.tools import here, runlog_json

FIRST, NOW = date(2026, 8, 20), "2026-10-20"


def home_of(folder, nights, every=3):
    """Make a home with clear nights of 48 frames, and goals that the season has room for or not."""
    engine = ready(open_engine(str(folder / "night.sqlite")))
    for n in range(nights):
        evening = (FIRST + timedelta(days=every * n)).isoformat()
        put(engine, outcomes(Night(evening, frames=48, filter="L" if n % 2 else "Ha")))
    engine.dispose()
    for goal in (["M33", "L", "50"], ["M33", "Ha", "45"]):
        assert here(folder, "goal", *goal).returncode == 0
    return folder


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """Twenty nights in two months."""
    return home_of(tmp_path_factory.mktemp("chances"), 20)


def test_dates_and_chances(home):
    """Dates in order, none before tonight; the sentence is that of the numbers."""
    body = runlog_json(home, "forecast", "--date", NOW)
    rows = {row["filter"]: row for row in body["rows"]}
    for row in rows.values():
        assert row["season_end"] is not None and row["season_end"] > NOW
        dates = [row[f"date_{share}"] for share in (20, 50, 80)]
        assert dates == sorted(dates) and dates[0] >= NOW
        assert 0 <= row["not_this_season"] <= 1
        late = row["date_80"] > row["season_end"]
        assert late == (row["not_this_season"] > 0.2)
        assert f"season (until {row['season_end']})" in row["chances"]
        assert f"1 in 5 by {row['date_20']}" in row["chances"]
    assert runlog_json(home, "forecast", "--date", NOW) == body
    shown = here(home, "forecast", "--date", NOW).stdout
    assert f"M 33 L: {rows['L']['chances']}" in shown


def test_a_goal_asked_about_still_shares_nights(home):
    """--filter chooses what is shown; the other goal takes its nights all the same."""
    whole = {r["filter"]: r for r in runlog_json(home, "forecast", "--date", NOW)["rows"]}
    (one,) = runlog_json(home, "forecast", "--date", NOW, "--filter", "L")["rows"]
    assert one == whole["L"]


def test_what_is_not_known_is_said(tmp_path):
    """Three nights are no record; nor are the three since a date; a reached goal has no date."""
    home = home_of(tmp_path, 3)
    assert here(home, "goal", "M33", "L", "1").returncode == 0
    rows = {r["filter"]: r for r in runlog_json(home, "forecast", "--date", NOW)["rows"]}
    assert rows["Ha"]["chances"] == "unknown, because fewer than 5 nights with frames are stored"
    assert (rows["Ha"]["date_50"], rows["Ha"]["not_this_season"]) == (None, None)
    assert rows["L"]["done"] and rows["L"]["chances"] is None


def test_without_a_site(tmp_path):
    """No header and no config tells the place: dates are unknown, the rest stands."""
    engine = ready(open_engine(str(tmp_path / "night.sqlite")))
    cards = (("SITELAT", None), ("SITELONG", None))
    for n in range(6):
        evening = (FIRST + timedelta(days=3 * n)).isoformat()
        put(engine, outcomes(Night(evening, cards=cards)))
    engine.dispose()
    assert here(tmp_path, "goal", "M33", "L", "50").returncode == 0
    (row,) = runlog_json(tmp_path, "forecast", "--date", NOW)["rows"]
    assert row["chances"].startswith("unknown, because the site is not known")
    assert row["nights_needed"] is not None


def test_dates_of_a_goal_that_two_rigs_may_serve(tmp_path):
    """Guards the sentence: dates count the rig that logged most, and say that another may help."""
    engine = ready(open_engine(str(tmp_path / "night.sqlite")))
    for n in range(6):
        evening = (FIRST + timedelta(days=3 * n)).isoformat()
        put(engine, outcomes(Night(evening, frames=40)))
    tern = (("TELESCOP", "Tern"), ("INSTRUME", "Cam 1"))
    for n in range(5):
        evening = (FIRST + timedelta(days=3 * n + 1)).isoformat()
        put(engine, outcomes(Night(evening, frames=20, cards=tern)))
    engine.dispose()
    assert here(tmp_path, "goal", "M33", "L", "50").returncode == 0
    (goal,) = runlog_json(tmp_path, "ahead", "--date", NOW, "--nights", "1")["goals"]
    alone = f"; counted with {goal['rig']} alone, though Tern + Cam 1 may serve it too"
    assert goal["text"].endswith(alone) and not goal["rig"].startswith("Tern")
    (row,) = runlog_json(tmp_path, "forecast", "--date", NOW)["rows"]
    assert row["date_20"] is not None and row["chances"].endswith(alone)
    (part,) = runlog_json(tmp_path, "forecast", "--date", NOW, "--rig", "Tern")["rows"]
    assert part["chances"] == f"unknown, because its nights are counted with {goal['rig']}"
