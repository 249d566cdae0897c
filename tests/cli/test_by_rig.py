"""Nights, totals, the plan and trends of several rigs: by rig, and for all of them."""

import pytest

from tests.tools import here, noise, runlog_json, write_frame

RIGS = {"Heron 300/1200": 2, "Ladybird 90/540": 3, "Wren 200/800": 4}  # frames a night
NIGHTS = {"Heron 300/1200": (9, 10), "Ladybird 90/540": (10, 11), "Wren 200/800": (11,)}
ALL = "all 3 rigs"


@pytest.fixture(scope="module")
def club(tmp_path_factory):
    """Scan the nights of three rigs, some of which were at work together."""
    home = tmp_path_factory.mktemp("club")
    for at, (rig, frames) in enumerate(RIGS.items()):
        for day in NIGHTS[rig]:
            for i in range(frames):
                start = f"2026-10-{day:02d}T21:{10 * i:02d}:{at:02d}"
                name = home / "frames" / f"{at}_{day}_{i}.fits"
                cards = {"TELESCOP": rig, "DATE__OBS": start, "FILTER": "LR"[i % 2]}
                write_frame(name, noise(1000 * at + 100 * day + i), **cards)
    assert here(home, "scan", home / "frames").returncode == 0
    assert here(home, "goal", "M 33", "L", "5").returncode == 0
    return home


@pytest.fixture(scope="module")
def alone(tmp_path_factory):
    """Scan a night of a single rig."""
    home = tmp_path_factory.mktemp("alone")
    write_frame(home / "frames" / "0.fits", noise(1))
    assert here(home, "scan", home / "frames").returncode == 0
    return home


def rig_of(row):
    """Name the telescope of a row; None is all rigs."""
    return row["rig"] and row["rig"].split(" +")[0]


@pytest.mark.parametrize("listing", ["nights", "totals"])
def test_each_rig_and_all_add_up(club, listing):
    """Frames, hours and nights of each rig, as they were written; a night of two is one of all."""
    *each, whole = runlog_json(club, listing)["rigs"]
    assert [rig_of(row) for row in each] == sorted(RIGS)
    for row in each:
        nights, frames = len(NIGHTS[rig_of(row)]), RIGS[rig_of(row)]
        assert (row["nights"], row["frames"]) == (nights, nights * frames)
        assert row["logged_s"] == nights * frames * 300.0
    assert whole["rig"] is None
    assert (whole["nights"], whole["frames"]) == (3, 2 * 2 + 2 * 3 + 4)
    assert whole["logged_s"] == sum(row["logged_s"] for row in each)


@pytest.mark.parametrize("listing", ["nights", "totals"])
def test_one_rig_is_told_apart_from_none(club, listing):
    """With --rig only its frames; with one filter only that one's; no table of a single rig."""
    row, whole = runlog_json(club, listing, "--rig", "wren", "--filter", "L")["rigs"]
    assert (rig_of(row), row["frames"], whole["frames"]) == ("Wren 200/800", 2, 2)
    assert "By rig" not in here(club, listing, "--rig", "wren").stdout
    said = here(club, listing).stdout.partition("By rig")[2]
    assert ALL in said
    assert said.index("Heron") < said.index("Ladybird") < said.index(ALL)


@pytest.mark.parametrize("words", ["nights", "totals", "tonight --date 2026-10-20", "trends"])
def test_a_single_rig_hears_nothing_of_all(alone, words):
    """Guards the outputs of everybody who has one rig."""
    done = here(alone, *words.split())
    assert done.returncode == 0, done.stderr
    for word in ("By rig", "all 1 rig", "All 1 rig"):
        assert word not in done.stdout


def test_the_plan_and_trends_sum_up(club):
    """A line of all rigs ends the plan's orders and the trends; of one rig there is none."""
    plan = here(club, "tonight", "--date", "2026-10-20").stdout
    assert "All 3 rigs: " in plan
    assert "of effective time" in plan
    planned = runlog_json(club, "tonight", "--date", "2026-10-20")["plan"]
    assert f"All 3 rigs: {sum(row['frames'] for row in planned)} frames" in plan
    assert "All 3 rigs: none of" in here(club, "trends").stdout
    for words in ("tonight --date 2026-10-20", "trends"):
        assert "All " not in here(club, *words.split(), "--rig", "wren").stdout
