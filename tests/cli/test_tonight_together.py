"""`runlog tonight` where several rigs serve one goal: each plans what those before it leave."""

from collections import Counter
from contextlib import contextmanager
from itertools import pairwise

import pytest

from tests.cli.test_tonight import EVENING, OWL, TERN, in_this_process, lights
from tests.tools import here, runlog_json

__all__ = ["in_this_process"]  # the fixture that reads the few frames here

WREN, SWIFT = {"TELESCOP": "Wren", "INSTRUME": "Cam 2"}, {"TELESCOP": "Swift", "INSTRUME": "Cam 3"}
DUAL = '[bands]\n"Duo" = ["Ha", "OIII"]\n'
CONFIG = "runlog.toml"
MOST_S = 300.0 * 2.5  # of one exposure: no minute here is worth more than two and a half


@pytest.fixture(scope="module")
def club(tmp_path_factory):
    """Owl, Tern and Wren shot M 33 through L, in this order; Owl also Ha, Swift Duo, Tern M 31."""
    home = tmp_path_factory.mktemp("club")
    (home / CONFIG).write_text(DUAL)
    for frames, rig in ((4, OWL), (3, TERN), (2, WREN)):
        lights(home, "2026-10-02", frames, **rig)
    lights(home, "2026-10-02", 2, hour=22, FILTER="Ha", **OWL)
    lights(home, "2026-10-02", 2, FILTER="Duo", **SWIFT)
    lights(home, "2026-10-02", 2, "M31", hour=22, RA=10.7, DEC=41.3, **TERN)
    scanned(home, home / "frames")
    return home


def scanned(home, *folders):
    """Scan folders one after the other, and keep every frame."""
    for folder in folders:
        assert here(home, "scan", folder).returncode == 0
    names = sorted(p.name for folder in folders for p in folder.iterdir())
    assert here(home, "mark", *names, "keep").returncode == 0


@contextmanager
def wanted(home, *goals):
    """Set goals (target, filter, hours), give the command that plans them, take them away."""
    for goal in goals:
        assert here(home, "goal", *goal, "--new").returncode == 0
    config = ("--config", home / CONFIG) if (home / CONFIG).exists() else ()
    yield ("tonight", "--date", EVENING, *config)
    for target, name, _ in goals:
        assert here(home, "goal", target, name, "0").returncode == 0


def planned(home, *goals):
    """Give the night's plans of some goals."""
    with wanted(home, *goals) as line:
        return runlog_json(home, *line)


def planned_alike(home, *goals):
    """Give the plans; each rig's part is that of the rig asked for alone."""
    with wanted(home, *goals) as line:
        told = runlog_json(home, *line)
        for rig in told["rigs"]:
            alone = runlog_json(home, *line, "--rig", rig["rig"])
            for key in ("plan", "rows"):
                own = [row for row in told[key] if row["rig"] == rig["rig"]]
                assert [row for row in alone[key] if row["rig"]] == own
            assert alone["rigs"] == [rig]
    return told


def given(told, *filters):
    """Add up the effective seconds that each rig gives through some filters."""
    found = Counter()
    for block in told["plan"]:
        if block["filter"] in filters:
            found[block["rig"].split()[0]] += block["effective_s"]
    return dict(found)


def to_go(told, name):
    """Give what is to go of the goal of a filter."""
    return next(row["to_go_s"] for row in told["rows"] if row["filter"] == name)


def remarks(told):
    """Give what is said of each rig."""
    return {rig["rig"].split()[0]: rig["remarks"] for rig in told["rigs"]}


def test_three_rigs_serve_a_goal_that_none_ends(club):
    """Guards clear nights: whoever used L has work all night; each line tells the sum of all."""
    told = planned_alike(club, ("M33", "L", "99"))
    each = given(told, "L")
    assert set(each) == {"Owl", "Tern", "Wren"} and min(each.values()) > 3600
    total = sum(each.values())
    assert total < to_go(told, "L")
    whole, minutes = divmod(round(total / 60), 60)
    for block in told["plan"]:
        assert block["why"].endswith(f" too, {whole} h {minutes:02d} min together")
        others = {"Owl", "Tern", "Wren"} - {block["rig"].split()[0]}
        assert all(f"{name} + Cam" in block["why"] for name in others)
    assert remarks(told)["Swift"] == [
        "What is wanted is through filters that this rig never used; it used Duo"
    ]
    assert all(0 < rig["bound_share"] <= 1 for rig in told["rigs"] if rig["rig"][:5] != "Swift")


def test_a_goal_that_the_first_rig_ends_is_not_planned_with_others(club):
    """Guards against frames for nothing: the others are told that it will be reached."""
    with wanted(club, ("M33", "L", "2")) as line:
        told = runlog_json(club, *line)
        (tern,) = runlog_json(club, *line, "--rig", "Tern")["rows"]
        early = runlog_json(club, *line, "--rig", "Tern", "--until", "18:30")
        shown = here(club, *line).stdout
    assert set(given(told, "L")) == {"Owl"}
    assert 0 <= sum(given(told, "L").values()) - to_go(told, "L") < MOST_S
    for rig in ("Tern", "Wren"):
        assert remarks(told)[rig] == [
            "M 33 L is planned with Owl + Cam 0, which logged more of it at its site, "
            "and will be reached there"
        ]
    assert shown.count("and will be reached there") == 2
    assert tern["reason"] == "planned with Owl + Cam 0, and will be reached"
    assert early["rows"] == [tern] and not early["plan"]  # Owl is not told to stop


def test_a_goal_that_no_rig_serves_tonight_is_not_said_to_be_planned(club):
    """Guards true words: at 47.5 N NGC 104, declination -72.1, never rises for any of them."""
    with wanted(club, ("NGC104", "L", "5")) as line:
        told = runlog_json(club, *line)
        (row,) = runlog_json(club, *line, "--rig", "Wren")["rows"]
    assert not told["plan"]
    assert row["reason"] == "belongs to Tern + Cam 1, which gives it nothing tonight"
    (said,) = remarks(told)["Wren"]
    assert said.startswith(
        "NGC 104 L belongs to Tern + Cam 1, which logged more through its filter"
    )
    assert "; not here: never above" in said


def test_what_is_left_ends_with_the_second_rig(club):
    """Guards the sum: over all rigs no more is planned than is left, but for one exposure."""
    told = planned(club, ("M33", "L", "99"))
    owl_s, tern_s = (given(told, "L")[rig] for rig in ("Owl", "Tern"))
    kept_s = 99 * 3600 - to_go(told, "L")
    hours = (kept_s + owl_s + tern_s / 2) / 3600
    told = planned_alike(club, ("M33", "L", f"{hours:.4f}"))
    each = given(told, "L")
    assert set(each) == {"Owl", "Tern"}
    assert each["Owl"] == pytest.approx(owl_s)
    assert 0 <= sum(each.values()) - to_go(told, "L") < MOST_S
    (last,) = [block for block in told["plan"] if block["rig"].startswith("Tern")]
    assert last["why"].endswith("reaches the goal")
    (said,) = remarks(told)["Wren"]
    assert said.endswith("and will be reached with Owl + Cam 0 and Tern + Cam 1")


def test_own_goals_come_first(club):
    """Guards precedence: Owl's own two hours of Ha stand as they do without Tern's M 31 in L.

    A night is longer than that, so that Owl serves M 31 as well, and never two things at once.
    """
    own = ("M33", "Ha", "2")
    alone = planned(club, own)
    both = planned(club, own, ("M31", "L", "99"))
    blocks = [block for block in both["plan"] if block["rig"].startswith("Owl")]
    assert [b for b in blocks if b["filter"] == "Ha"] == [
        b for b in alone["plan"] if b["rig"].startswith("Owl")
    ]
    assert {b["target"] for b in blocks} == {"M 33", "M 31"}
    assert all(before["end_utc"] < after["start_utc"] for before, after in pairwise(blocks))
    assert given(both, "L").keys() == {"Owl", "Tern", "Wren"}


def test_a_dual_band_takes_part_in_a_line(club):
    """Guards a rig without the line's filter: Swift's Duo passes Ha, which is Owl's goal."""
    told = planned_alike(club, ("M33", "Ha", "99"))
    assert {(b["rig"].split()[0], b["filter"]) for b in told["plan"]} == {
        ("Owl", "Ha"),
        ("Swift", "Duo"),
    }
    assert sum(given(told, "Ha", "Duo").values()) < to_go(told, "Ha")
    (swift,) = [block for block in told["plan"] if block["filter"] == "Duo"]
    assert "; Ha: Owl + Cam 0 too, " in swift["why"]
    assert "never used; it used L" in remarks(told)["Tern"][0]


def test_what_a_dual_band_gives_beside_its_own_line_is_taken_off(club):
    """Guards the sum of lines: Swift's frames for OIII give Ha as well, and Owl's are fewer."""
    told = planned(club, ("M33", "OIII", "99"), ("M33", "Ha", "99"))
    passed_s = given(told, "Duo")["Swift"]
    hours = ((99 * 3600 - to_go(told, "Ha")) + passed_s + 3600) / 3600
    told = planned(club, ("M33", "OIII", "99"), ("M33", "Ha", f"{hours:.4f}"))
    each = given(told, "Ha", "Duo")
    assert each["Owl"] > 0 and each["Swift"] == pytest.approx(passed_s)
    assert 0 <= sum(each.values()) - to_go(told, "Ha") < MOST_S
    assert any("Swift + Cam 3 too" in b["why"] for b in told["plan"] if b["filter"] == "Ha")


def test_no_order_of_scanning_counts(tmp_path):
    """Guards independence: the rigs scanned in either order are told the same, to the letter."""
    lights(tmp_path, "2026-10-02", 3, **OWL)
    (tmp_path / "frames").rename(tmp_path / "owl")
    lights(tmp_path, "2026-10-02", 2, "Triangulum Galaxy", **TERN)
    told = []
    for turn in (("owl", "frames"), ("frames", "owl")):
        home = tmp_path / f"{turn[0]} first"
        home.mkdir()
        scanned(home, *(tmp_path / name for name in turn))
        with wanted(home, ("M33", "L", "30")) as line:
            told.append(here(home, *line, "--json").stdout)
    assert told[0] == told[1]
    assert "together" in told[0]


def test_rigs_at_two_sites_share_a_goal(tmp_path):
    """Guards two skies: each plans in its own dark, and both together no more than is left."""
    (tmp_path / CONFIG).write_text("[site]\nlowest_deg = 15\n")
    lights(tmp_path, "2026-10-02", 3, **OWL)
    lights(tmp_path, "2026-10-02", 2, hour=3, SITELAT="-30 10 00", SITELONG="-70 48 00", **TERN)
    scanned(tmp_path, tmp_path / "frames")
    told = planned_alike(tmp_path, ("M33", "L", "40"))
    assert set(given(told, "L")) == {"Owl", "Tern"}
    for rig in told["rigs"]:
        own = [block for block in told["plan"] if block["rig"] == rig["rig"]]
        assert all(rig["dark_start_utc"] <= b["start_utc"] for b in own)
        assert all(b["end_utc"] <= rig["dark_end_utc"] for b in own)
    assert sum(given(told, "L").values()) < to_go(told, "L")


def test_a_rig_where_the_target_never_rises_is_told_so(tmp_path):
    """Guards a reason that is true: M 33, declination 30.7, gets 5 degrees high at 54.5 S."""
    lights(tmp_path, "2026-10-02", 3, **OWL)
    lights(tmp_path, "2026-10-02", 2, hour=3, SITELAT="-54 30 00", SITELONG="-70 48 00", **TERN)
    scanned(tmp_path, tmp_path / "frames")
    told = planned(tmp_path, ("M33", "L", "40"))
    assert set(given(told, "L")) == {"Owl"}
    assert "together" not in str(told)
    (said,) = remarks(told)["Tern"]
    assert said.startswith("M 33 L is planned with Owl + Cam 0, ")
    assert said.endswith("it gets 5 degrees high") and "; not here: never above" in said


def test_what_a_rig_without_a_site_takes_is_said_to_be_unknown(tmp_path):
    """Guards a guess: Tern has most of M 33, and nothing tells how much of it it takes tonight."""
    lights(tmp_path, "2026-10-02", 2, **OWL)
    lights(tmp_path, "2026-10-02", 3, SITELAT=None, SITELONG=None, **TERN)
    scanned(tmp_path, tmp_path / "frames")
    with wanted(tmp_path, ("M33", "L", "40")) as line:
        assert "The site is not known" in here(tmp_path, *line).stderr
        told = runlog_json(tmp_path, *line, "--rig", "Owl")
    assert given(told, "L")["Owl"] > 3600
    assert remarks(told)["Owl"] == [
        "What Tern + Cam 1 takes of M 33 L is unknown: its site is not known"
    ]


def test_a_rig_with_dark_to_spare_is_told_what_will_be_reached(club):
    """Guards the reason why Owl, with two hours of Ha, takes nothing of Tern's half hour of L."""
    told = planned(club, ("M33", "Ha", "2"), ("M31", "L", "0.5"))
    assert given(told, "L").keys() == {"Tern"}
    assert remarks(told)["Owl"] == ["M 31 L will be reached with Tern + Cam 1"]
    assert remarks(told)["Tern"] == []
