"""Goals, totals by part and by night, forecast and calibration, as a person types them."""

import csv
import io
import json
import tomllib
from zlib import crc32

import pytest

from tests.tools import here, noise, runlog_json, write_frame


@pytest.fixture(scope="module", autouse=True)
def in_this_process():
    """Read the few frames here: starting workers for each test would take a minute."""
    patch = pytest.MonkeyPatch()
    patch.setattr("runlog.actions.scan.FEW", 100)
    yield
    patch.undo()


RIG_B = {"TELESCOP": "Old Newton", "FOCALLEN": 1000.0}


def night(home, evening, frames, target="M33", hour=19, **cards):
    """Write lights of one night, ten minutes apart."""
    for i in range(frames):
        start = f"{evening}T{hour + i // 6:02d}:{10 * (i % 6):02d}:00"
        seed = crc32(f"{evening} {target} {hour} {i} {cards}".encode())
        path = home / "frames" / f"{evening}_{target}_{hour}_{i:02d}_{seed}.fits"
        write_frame(path, noise(seed), **{"DATE__OBS": start, "OBJECT": target} | cards)


def scan(home):
    """Scan what was written."""
    assert here(home, "scan", home / "frames").returncode == 0
    return home


@pytest.fixture(scope="module")
def weeks(tmp_path_factory):
    """Scan seven nights over two months, two rigs, two lengths, all kept by the person."""
    home = tmp_path_factory.mktemp("weeks")
    for day in ("2026-08-28", "2026-09-05", "2026-09-12", "2026-09-20", "2026-10-02", "2026-10-03"):
        night(home, day, 2)
    night(home, "2026-10-03", 1, hour=21, EXPTIME=60.0)
    night(home, "2026-10-09", 2, FILTER="Ha", **RIG_B)
    night(home, "2026-10-09", 1, target="NGC7000_Ha_Panel1", hour=22, FILTER="Ha")
    night(home, "2026-10-09", 2, target="NGC7000_Ha_Panel2", hour=23, FILTER="Ha")
    scan(home)
    names = [p.name for p in sorted((home / "frames").iterdir())]
    assert here(home, "mark", *names, "keep").returncode == 0
    return home


@pytest.fixture
def goals(weeks):
    """Give the same nights; goals a test sets are taken away afterwards."""
    yield weeks
    for row in runlog_json(weeks, "totals")["rows"]:
        if row["goal_form"]:
            for target in {row["target"], row["mosaic"]} - {None}:
                here(weeks, "goal", target, row["filter"], "0")


def totals(home, *words):
    """Load totals by target and filter."""
    rows = runlog_json(home, "totals", *words)["rows"]
    return {(row["target"], row["filter"]): row for row in rows}


# --- totals ---------------------------------------------------------------------------------


def test_lengths_add_up_in_one_total(weeks):
    """Twelve of five minutes and one of one minute are 61 minutes."""
    row = totals(weeks)[("M 33", "L")]
    assert (row["frames"], row["kept_s"], row["nights"], row["share_kept"]) == (13, 61 * 60, 6, 1.0)


@pytest.mark.parametrize(
    ("words", "minutes"),
    [
        (["--since", "2026-10-01"], 21),
        (["--until", "2026-09-05"], 20),
        (["--since", "2026-09-05", "--until", "2026-09-12"], 20),
        (["--season", "autumn 2026"], 51),
        (["--season", "summer 2026"], 10),
        (["--season", "2026"], 61),
        (["--rig", "ladybird"], 61),
    ],
)
def test_parts_of_the_time(weeks, words, minutes):
    """A season, a span of nights (both ends belong to it) or a rig."""
    assert totals(weeks, *words)[("M 33", "L")]["kept_s"] == minutes * 60


def test_a_rig(weeks):
    """Hours of one rig, by part of its name."""
    assert set(totals(weeks, "--rig", "NEWTON")) == {("M 33", "Ha")}


def test_growth(weeks):
    """What each night added, and the sum so far."""
    rows = runlog_json(weeks, "totals", "--by", "night", "--target", "M33")["rows"]
    assert [r["kept_so_far_s"] / 60 for r in rows if r["filter"] == "L"] == [10, 20, 30, 40, 50, 61]
    assert [r["night"] for r in rows] == sorted(r["night"] for r in rows)


def test_publishing(weeks):
    """Filters, frames x exposure, total; a mosaic's panels are one picture."""
    said = here(weeks, "totals", "--publish", "--target", "M33").stdout.split("\n")
    assert said[0:2] == ["M 33", "2026-08-28 to 2026-10-09"]
    assert said[3].split() == "L 12 x 300 s + 1 x 60 s 1 h 01 min".split()
    mosaic = here(weeks, "totals", "--publish", "markdown", "--target", "NGC7000").stdout
    assert "| Ha | 3 x 300 s | 15 min |" in mosaic


def test_mosaics(goals):
    """A goal per panel; the mosaic is as far along as its worst panel."""
    here(goals, "goal", "NGC7000", "Ha", "1")
    body = runlog_json(goals, "totals")
    (mosaic,) = body["mosaics"]
    assert (mosaic["panels"], mosaic["worst_panel"], mosaic["to_go_s"]) == (2, "1", 55 * 60)
    rows = {r["target"]: r for r in body["rows"]}
    assert rows["NGC 7000 panel 2"]["to_go_s"] == 50 * 60
    assert "worst panel" in here(goals, "totals").stdout


@pytest.mark.parametrize(
    "words",
    [
        ["--season", "monsoon"],
        ["--since", "soon"],
        ["--since", "2026-10-09", "--until", "2026-10-01"],
        ["--season", "2026", "--since", "2026-10-01"],
        ["--by", "moon"],
    ],
)
def test_bad_parts_are_refused(weeks, words):
    """Clear words for what is no part of the time."""
    done = here(weeks, "totals", *words)
    assert (done.returncode, done.stdout) == (2, "")


@pytest.mark.parametrize(
    "words", [["--since", "2026-10-01"], ["--season", "summer 2026"], ["--rig", "ladybird"]]
)
def test_to_go_is_about_all_nights(goals, words):
    """61 minutes are kept in all: of a goal of two hours 59 are to go, whatever part is shown."""
    here(goals, "goal", "M33", "L", "2")
    whole = totals(goals)[("M 33", "L")]
    part = totals(goals, *words)[("M 33", "L")]
    assert (part["goal_s"], part["to_go_s"]) == (2 * 3600, 59 * 60)
    for key in ("to_go_s", "frames_to_go", "gain_next_hour", "done"):
        assert part[key] == whole[key]
    (line,) = [
        row
        for row in csv.DictReader(io.StringIO(here(goals, "totals", *words, "--csv").stdout))
        if (row["target"], row["filter"]) == ("M 33", "L")
    ]
    assert float(line["to_go_s"]) == 59 * 60
    of_all = "(all nights and rigs)" if "--rig" in words else "(all nights)"
    assert f"to go {of_all}" in here(goals, "totals", *words, env={"COLUMNS": "200"}).stdout
    assert "all nights" not in here(goals, "totals").stdout


def test_a_night_says_what_is_to_go_in_all(goals):
    """What a night added stands beside what all nights leave to do, for a mosaic's panels too."""
    here(goals, "goal", "M33", "L", "2")
    here(goals, "goal", "NGC7000", "Ha", "1")
    added = runlog_json(goals, "night", "2026-08-28")["added"]
    assert [(r["kept_s"], r["to_go_s"], r["nights"]) for r in added] == [(600, 59 * 60, 1)]
    runs = runlog_json(goals, "night", "2026-10-09")["rows"]
    to_go = {r["target"]: r["to_go_s"] for run in runs for r in run["added"]}
    assert to_go["NGC 7000 panel 1"] == 55 * 60


def test_a_mosaic_in_a_part_of_the_time(goals):
    """A mosaic's progress is that of all nights and of its worst panel."""
    here(goals, "goal", "NGC7000", "Ha", "1")
    for words in (["--since", "2026-10-09"], ["--rig", "ladybird", "--target", "NGC7000"]):
        (mosaic,) = runlog_json(goals, "totals", *words)["mosaics"]
        assert (mosaic["panels"], mosaic["worst_panel"], mosaic["to_go_s"]) == (2, "1", 55 * 60)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["totals", "--rig", "nosuch"], "Ladybird 90/540 + MonoCam 9"),
        (["totals", "--target", "nosuch"], "No frame of nosuch is stored"),
        (["totals", "--target", "M34"], "Did you mean M 33"),
        (["totals", "--by", "night", "--target", "NGC7001"], "Did you mean NGC 7000"),
        (["forecast", "--rig", "nosuch"], "No rig is called 'nosuch'"),
        (["forecast", "--target", "NGC 7001"], "Did you mean NGC 7000"),
        (["export", "--target", "NGC 7001"], "Did you mean NGC 7000"),
        (["export", "--rig", "nosuch"], "Ladybird 90/540 + MonoCam 9"),
        (["export", "--filter", "nosuch"], "Used: Ha, L"),
    ],
)
def test_names_that_fit_nothing(weeks, words, said):
    """Wrong usage, with what is near: an empty answer would read as "nothing is there"."""
    done = here(weeks, *words)
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr


def test_nights_without_frames(weeks):
    """Nothing fits a season to come: that is an answer, said in words."""
    for command in (["totals"], ["totals", "--by", "night"], ["export"]):
        done = here(weeks, *command, "--season", "2031")
        assert (done.returncode, done.stdout) == (0, "")
        assert "fits this" in done.stderr


# --- goals ----------------------------------------------------------------------------------


def test_a_ratio_and_a_priority(goals):
    """Half the time of L, first of all."""
    here(goals, "goal", "M33", "L", "10")
    assert here(goals, "goal", "M33", "Ha", "0.5", "--of", "L", "--priority", "1").returncode == 0
    row = totals(goals)[("M 33", "Ha")]
    assert (row["goal_s"], row["priority"], row["goal_form"]) == (5 * 3600, 1, "ratio")


def test_a_gain(goals):
    """1.41 times today's signal to noise needs twice the hours (stacks grow as the root)."""
    assert here(goals, "goal", "M33", "L", "1.4142135623730951", "--gain").returncode == 0
    row = totals(goals)[("M 33", "L")]
    assert row["goal_s"] == pytest.approx(2 * 61 * 60)
    assert row["gain_next_hour"] == pytest.approx((121 / 61) ** 0.5 - 1)


def test_a_gain_says_which_hours(goals):
    """Effective hours and hours by the clock are told apart, and what is to go is said."""
    said = here(goals, "goal", "M33", "L", "2", "--gain").stderr
    assert "4 times today's 1 h 01 min kept" in said
    assert "that is 4 h 04 min by the clock: 1 h 01 min kept, 3 h 03 min to go" in said
    assert "59 min to go" in here(goals, "goal", "M33", "L", "2").stderr
    assert "that is 1 h 00 min" in here(goals, "goal", "M33", "Ha", "0.5", "--of", "L").stderr
    assert "reached" in here(goals, "goal", "M33", "L", "1").stderr
    assert "in panel 1, the worst" in here(goals, "goal", "NGC7000", "Ha", "1").stderr
    assert "no hours yet" in here(goals, "goal", "M33", "SII", "1", "--of", "OIII").stderr
    assert here(goals, "goal", "M33", "SII", "0").stderr == "M 33, SII: no goal any more\n"


def test_done(goals):
    """A goal that is reached is done."""
    here(goals, "goal", "M33", "L", "1")
    row = totals(goals)[("M 33", "L")]
    assert (row["done"], row["to_go_s"], row["frames_to_go"]) == (True, 0, 0)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["M33", "L", "--", "-3"], "makes no sense"),
        (["M33", "L", "-3"], "makes no sense"),
        (["M33", "L", "3", "--gian"], "No such option"),
        (["M33", "L", "1e9"], "makes no sense"),
        (["M33", "L", "nan"], "makes no sense"),
        (["M33", "L", "0.9", "--gain"], "makes no sense"),
        (["M33", "L", "99", "--gain"], "makes no sense"),
        (["M33", "Quartz", "3"], "No filter is called"),
        (["M33", "", "3"], "No filter is called"),
        (["M51", "L", "3"], "No frame of M 51 was ever seen"),
        (["", "L", "3"], "no target's name"),
        (["M33", "L", "2", "--of", "L"], "measured by itself"),
        (["M33", "OIII", "1.4", "--gain"], "nothing to gain over"),
        (["M33", "L", "3", "--priority", "12"], "no priority 12"),
        (["M33", "L", "2", "--of", "Ha", "--gain"], "either a ratio"),
    ],
)
def test_bad_goals_change_nothing(weeks, words, said):
    """Clear words, and nothing changed."""
    done = here(weeks, "goal", *words)
    assert done.returncode == 2
    assert said in done.stderr
    assert not any(row["goal_form"] for row in runlog_json(weeks, "totals")["rows"])


def test_a_panel_has_its_mosaics_goal(goals):
    """A panel's own goal is taken away alone; the mosaic's is not taken from one panel."""
    here(goals, "goal", "NGC7000", "Ha", "1")
    here(goals, "goal", "NGC7000 panel 1", "Ha", "2")
    said = here(goals, "goal", "NGC7000 panel 1", "Ha", "0").stderr
    assert "its mosaic's goal holds, 1 h 00 min: 5 min kept, 55 min to go" in said
    again = here(goals, "goal", "NGC7000 panel 1", "Ha", "0")
    assert again.returncode == 2
    assert "This panel's goal is its mosaic's" in again.stderr


def test_a_gain_is_over_all_that_counts(tmp_path):
    """Doubtful and dual-band hours that count towards a gain are there today, so it is not done."""
    night(tmp_path, "2026-10-09", 2, FILTER="Duo")
    scan(tmp_path)
    names = sorted(p.name for p in (tmp_path / "frames").iterdir())
    here(tmp_path, "mark", names[0], "keep")
    here(tmp_path, "mark", names[1], "doubtful")
    config = tmp_path / "runlog.toml"
    config.write_text('[bands]\n"Duo" = ["Ha", "OIII"]\n')
    words = ("goal", "M33", "Ha", "2", "--gain", "--config", config)
    assert "4 times today's 5 min kept" in here(tmp_path, *words).stderr
    assert totals(tmp_path, "--config", config)[("M 33", "Ha")]["to_go_s"] == 15 * 60
    assert "4 times today's 10 min kept" in here(tmp_path, *words, "--doubtful").stderr
    assert totals(tmp_path, "--config", config)[("M 33", "Ha")]["to_go_s"] == 30 * 60


def test_ratios_in_a_ring_are_refused(goals):
    """Ha of L and L of Ha would be measured by themselves."""
    assert here(goals, "goal", "M33", "Ha", "0.5", "--of", "L").returncode == 0
    assert "measured by itself" in here(goals, "goal", "M33", "L", "2", "--of", "Ha").stderr


def test_doubtful_hours(tmp_path):
    """Whether doubtful hours count is the person's choice, in the config or for a goal."""
    night(tmp_path, "2026-10-09", 2)
    scan(tmp_path)
    names = sorted(p.name for p in (tmp_path / "frames").iterdir())
    here(tmp_path, "mark", names[0], "keep")
    here(tmp_path, "mark", names[1], "doubtful")
    here(tmp_path, "goal", "M33", "L", "1")
    config = tmp_path / "runlog.toml"
    config.write_text("[goals]\ncount_doubtful = true\n")
    assert totals(tmp_path)[("M 33", "L")]["to_go_s"] == 55 * 60
    assert totals(tmp_path, "--config", config)[("M 33", "L")]["to_go_s"] == 50 * 60
    here(tmp_path, "goal", "M33", "L", "1", "--doubtful")
    assert totals(tmp_path)[("M 33", "L")]["to_go_s"] == 50 * 60


# --- colour cameras and dual bands ----------------------------------------------------------


def test_a_dual_band_on_a_colour_camera(tmp_path):
    """It counts for both bands' goals; its clock hours are in one row, once."""
    night(tmp_path, "2026-10-09", 2, BAYERPAT="RGGB", FILTER="Duo 7nm")
    night(tmp_path, "2026-10-10", 1, BAYERPAT="RGGB", FILTER=None)
    config = tmp_path / "runlog.toml"
    config.write_text('[camera]\ncolour_filter = "RGB"\n[bands]\n"Duo 7nm" = ["Ha", "OIII"]\n')
    assert here(tmp_path, "scan", tmp_path / "frames", "--config", config).returncode == 0
    names = sorted(p.name for p in (tmp_path / "frames").iterdir())
    here(tmp_path, "mark", *names, "keep")
    for band in ("Ha", "OIII"):
        assert here(tmp_path, "goal", "M33", band, "1", "--config", config).returncode == 0
    found = totals(tmp_path, "--config", config)
    assert {key[1] for key in found} == {"Duo 7nm", "RGB", "Ha", "OIII"}
    assert [found[("M 33", band)]["to_go_s"] for band in ("Ha", "OIII")] == [50 * 60, 50 * 60]
    assert sum(row["logged_s"] for row in found.values()) == 15 * 60


@pytest.mark.parametrize(
    "text",
    [
        "[bands]\nDuo = 'Ha'\n",
        "[goals]\ncount_doubtful = 'yes'\n",
        "[goals]\nhours = 3\n",
        "[calibration]\nenough_darks = -1\n",
        "[calibration]\ndarks = 3\n",
        "[camera]\ncolour_filter = 3\n",
    ],
)
def test_bad_settings_are_refused(weeks, text):
    """The config file is refused with what is wrong, before anything is done."""
    config = weeks / "bad.toml"
    config.write_text(text)
    done = here(weeks, "totals", "--config", config)
    assert (done.returncode, done.stdout) == (3, "")
    assert "bad.toml" in done.stderr


# --- forecast -------------------------------------------------------------------------------


def test_a_forecast(goals):
    """Ten minutes a night: an hour more takes about six nights; with one Ha night, none is told."""
    here(goals, "goal", "M33", "L", "2", "--priority", "1")
    here(goals, "goal", "M33", "Ha", "5")
    body = runlog_json(goals, "forecast")
    first, second = body["rows"]
    assert (first["filter"], first["record_nights"], first["to_go_s"]) == ("L", 6, 59 * 60)
    assert first["nights_few"] <= first["nights_needed"] == 6 <= first["nights_many"]
    assert (second["filter"], second["nights_needed"]) == ("Ha", None)
    assert "too few for a forecast" in second["text"]
    assert body["pace"]["nights"] == 7


def test_no_goal_no_forecast(weeks):
    """Without a goal the command says how to set one."""
    done = here(weeks, "forecast")
    assert (done.returncode, done.stdout) == (0, "")
    assert "runlog goal" in done.stderr


# --- calibration ----------------------------------------------------------------------------


def test_calibration(tmp_path):
    """Ten darks fit; flats of another rig do not; what is missing is named."""
    night(tmp_path, "2026-10-09", 2, SET__TEMP=-10.0)
    night(tmp_path, "2026-10-10", 10, "dark", 4, IMAGETYP="Dark", SET__TEMP=-10.0, FILTER=None)
    night(tmp_path, "2026-10-10", 10, "flat", 6, IMAGETYP="Flat", EXPTIME=2.0, **RIG_B)
    scan(tmp_path)
    names = [p.name for p in sorted((tmp_path / "frames").iterdir()) if "_M33_" in p.name]
    here(tmp_path, "mark", *names, "keep")
    (row,) = runlog_json(tmp_path, "calibration")["rows"]
    assert (row["filter"], row["frames"], row["darks"]["enough"]) == ("L", 2, True)
    assert row["flats"] == {"frames": 0, "masters": 0, "enough": False, "wanted": 10}
    assert row["missing"] == ["flats through L"]
    assert "flats through L" in here(tmp_path, "calibration", "--missing").stdout
    few = tmp_path / "few.toml"
    few.write_text("[calibration]\nenough_darks = 30\n")
    (strict,) = runlog_json(tmp_path, "calibration", "--config", few)["rows"]
    assert "(10 of 30)" in strict["missing"][0]


def test_calibration_counts_alike_by_runs_and_by_frames(tmp_path):
    """What a run has counted is what its frames say, after marks and corrections too."""
    night(tmp_path, "2026-10-09", 3, SET__TEMP=-10.0)
    night(tmp_path, "2026-10-09", 4, "dark", 4, IMAGETYP="Dark", SET__TEMP=-10.0, FILTER=None)
    scan(tmp_path)
    lights = sorted(p.name for p in (tmp_path / "frames").glob("*_M33_*"))
    found = []
    for words in (
        ["mark", *lights, "keep"],
        ["mark", lights[0], "reject"],
        ["mark", lights[1], "doubtful"],
        ["correct", "kind", "flat", "--kind", "dark"],
    ):
        done = here(tmp_path, *words)
        assert done.returncode == 0, done.stderr
        # The only target's lights are the same ones, looked at one by one.
        by_runs = runlog_json(tmp_path, "calibration")["rows"]
        assert by_runs == runlog_json(tmp_path, "calibration", "--target", "M33")["rows"]
        found.append([(row["frames"], row["darks"]["frames"]) for row in by_runs])
    assert found == [[(3, 4)], [(2, 4)], [(1, 4)], [(1, 0)]]


def test_masters_are_found(tmp_path):
    """A master dark says what it was made of, and counts."""
    night(tmp_path, "2026-10-09", 1, SET__TEMP=-10.0)
    write_frame(
        tmp_path / "frames" / "master_dark.fits", noise(3), IMAGETYP="Master Dark",
        DATE__OBS="2026-10-01T10:00:00", SET__TEMP=-10.0, NCOMBINE=30, FILTER=None,
    )  # fmt: skip
    scan(tmp_path)
    (name,) = [p.name for p in (tmp_path / "frames").iterdir() if "_M33_" in p.name]
    here(tmp_path, "mark", name, "keep")
    (row,) = runlog_json(tmp_path, "calibration")["rows"]
    assert row["darks"] == {"frames": 0, "masters": 1, "enough": True, "wanted": 10}


def test_a_region_elsewhere_on_the_sensor(tmp_path):
    """Darks of the same size from another place do not fit; whole frames ask for no place."""
    part = {"XORGSUBF": 8, "YORGSUBF": 4, "SET__TEMP": -10.0}
    there = part | {"XORGSUBF": 16}
    dark = {"IMAGETYP": "Dark", "FILTER": None}
    whole = tmp_path / "frames" / "whole.fits"
    write_frame(whole, noise(1, (48, 64)), DATE__OBS="2026-10-08T22:00:00", SET__TEMP=-10.0)
    for n, (cards, shape) in enumerate(
        [(part, (24, 32)), *[(part | dark, (24, 32))] * 10, *[(there | dark, (24, 32))] * 12]
    ):
        path = tmp_path / "frames" / f"part_{n:02d}.fits"
        write_frame(path, noise(100 + n, shape), DATE__OBS=f"2026-10-09T{n:02d}:00:00", **cards)
    scan(tmp_path)
    assert here(tmp_path, "mark", "whole.fits", "part_00.fits", "keep").returncode == 0
    rows = {tuple(r["size"]): r for r in runlog_json(tmp_path, "calibration")["rows"]}
    assert (rows[(32, 24)]["origin"], rows[(32, 24)]["darks"]["frames"]) == ([8, 4], 10)
    assert (rows[(64, 48)]["origin"], rows[(64, 48)]["darks"]["frames"]) == (None, 0)


# --- output ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "command",
    [["totals"], ["totals", "--by", "night"], ["forecast"], ["calibration"], ["targets"],
     ["export"], ["targets", "log"], ["correct", "--list"]],
)  # fmt: skip
def test_json_and_csv(weeks, command):
    """Every listing writes JSON with a schema, and CSV."""
    body = json.loads(here(weeks, *command, "--json").stdout)
    assert body["schema"].startswith("runlog.")
    assert isinstance(body["rows"], list)
    done = here(weeks, *command, "--csv")
    assert done.returncode == 0
    assert len(done.stdout.strip().split("\n")) == len(body["rows"]) + 1


def test_long_totals_are_laid_out_plainly(weeks):
    """More than a hundred rows come as the same columns without the library's layout."""
    from runlog.cli.plain_table import plain_table
    from runlog.core.columns import COLUMNS

    rows = [{"target": "北斗", "frames": i} for i in (1, 200)]
    lines = plain_table(rows, ["target", "frames"]).split("\n")
    assert lines[0].split() == [COLUMNS["target"].label, COLUMNS["frames"].label]
    assert lines[2].endswith("     1")
    assert lines[3].endswith("   200")


def test_limits_as_json(weeks):
    """Every limit in force, those of one filter too, for a script to read."""
    config = weeks / "limits.toml"
    config.write_text("[policy]\nsoft_ratio = [1.5, 2.2]\n[policy.Ha]\nclipped_ratio = 4\n")
    body = json.loads(here(weeks, "policy", "show", "--json", "--config", config).stdout)
    assert body["schema"] == "runlog.policy/1"
    limits = {(r["filter"], r["setting"]): r for r in body["rows"]}
    assert limits[(None, "soft_ratio")]["doubtful"] == 1.5
    assert limits[("Ha", "clipped_ratio")]["value"] == 4
    said = here(weeks, "policy", "show", "--config", config).stdout
    assert tomllib.loads(said)["policy"]["Ha"] == {"clipped_ratio": 4}
    lines = here(weeks, "policy", "show", "--csv").stdout.strip().split("\n")
    assert lines[0] == "filter,setting,doubtful,reject,value"


def test_hours_may_be_written_with_their_letter(goals):
    """Three hours may be typed as "3h", and what is no number is told by an example."""
    assert here(goals, "goal", "M33", "L", "3h").returncode == 0
    refused = here(goals, "goal", "M33", "L", "many")
    assert refused.returncode == 2
    assert "as in 12, 1.5 or 3h" in refused.stderr
