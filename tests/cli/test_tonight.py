"""`runlog tonight` and `runlog ahead` as a person types them: plans, JSON, CSV, and bad input."""

import csv
import io
import json
from zlib import crc32

import pytest

from tests.tools import here, noise, runlog_json, write_frame

SITE = "[site]\nlatitude_deg = 50.1\nlongitude_deg = 14.4\n"
EVENING = "2026-10-20"
TONIGHT_KEYS = {
    "schema", "night", "site", "dark_start_utc", "dark_end_utc", "dark_from", "moon",
    "share_usable", "share_usable_from", "bound_share", "rows", "plan", "unknown",
}  # fmt: skip
ROW_KEYS = set(
    "target filter priority to_go_s up_start_utc up_end_utc transit_utc alt_max_deg airmass_min "
    "moon_sep_deg moon_v_mag sky_ratio moon_from exposure_s overhead_s overhead_from frames_fit "
    "effective_s effective_low_s effective_high_s season_end nights_left weight reason".split()
)


@pytest.fixture(scope="module", autouse=True)
def in_this_process():
    """Read the few frames here: starting workers for each test would take a minute."""
    patch = pytest.MonkeyPatch()
    patch.setattr("runlog.actions.scan.FEW", 100)
    yield
    patch.undo()


def lights(home, evening, frames, target="M33", hour=19, **cards):
    """Write lights of one evening, 318 seconds apart."""
    for i in range(frames):
        seconds = hour * 3600 + 318 * i
        start = f"{evening}T{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
        name = f"{evening}_{target}_{i:02d}_{len(list((home / 'frames').glob('*')))}.fits"
        cards = {"RA": 23.46, "DEC": 30.66} | cards
        seed = crc32(name.encode())
        write_frame(home / "frames" / name, noise(seed), **{"DATE__OBS": start, "OBJECT": target}
                    | cards)  # fmt: skip


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """Scan two evenings of a rig, and set goals."""
    home = tmp_path_factory.mktemp("tonight")
    (home / "frames").mkdir()
    for evening in ("2026-10-02", "2026-10-09"):
        lights(home, evening, 4)
    lights(home, "2026-10-09", 2, target="NGC7000", hour=22, FILTER="Ha", RA=314.7, DEC=44.3)
    assert here(home, "scan", home / "frames").returncode == 0
    names = [p.name for p in sorted((home / "frames").iterdir())]
    assert here(home, "mark", *names, "keep").returncode == 0
    return home


@pytest.fixture(scope="module")
def goals(home):
    """Set goals: one with frames, one planned from the catalogue, one without a place."""
    for words in (("M33", "L", "10"), ("M42", "Ha", "5", "--new"), ("Xyzzy", "Ha", "5", "--new"),
                  ("M33", "Ha", "0.5", "--priority", "1")):  # fmt: skip
        assert here(home, "goal", *words).returncode == 0
    yield home
    for target, name in (("M33", "L"), ("M42", "Ha"), ("Xyzzy", "Ha"), ("M33", "Ha")):
        here(home, "goal", target, name, "0")


def test_without_goals_targets_with_hours_are_planned(home):
    """Guards a first evening: no goals, said so, and targets with kept hours in their place."""
    done = here(home, "tonight", "--date", EVENING)
    assert done.returncode == 0
    assert "No goals set" in done.stderr
    assert "M 33" in done.stdout
    told = runlog_json(home, "tonight", "--date", EVENING)
    assert told["goals_set"] is False
    assert {row["target"] for row in told["rows"]} == {"M 33", "NGC 7000"}
    assert {row["to_go_s"] for row in told["rows"]} == {None}


def test_the_published_keys(goals):
    """Guards the contract of `runlog.tonight/1`: keys, and times in UTC with Z."""
    told = runlog_json(goals, "tonight", "--date", EVENING)
    assert told["schema"] == "runlog.tonight/1"
    assert set(told) >= TONIGHT_KEYS
    assert all(set(row) >= ROW_KEYS for row in told["rows"])
    assert set(told["plan"][0]) >= set(
        "start_utc end_utc target filter frames effective_s why".split()
    )
    assert set(told["moon"]) == {"rise_utc", "set_utc", "lit", "alt_max_deg"}
    assert all(set(u) == {"what", "why", "cure"} for u in told["unknown"])
    assert told["dark_start_utc"].endswith("Z")
    assert 0 < told["bound_share"] <= 1


def test_a_target_without_frames_is_planned_from_the_catalogue(goals):
    """Guards goals set for what was never shot: M 42 rises that night, Xyzzy has no place."""
    rows = {(r["target"], r["filter"]): r for r in
            runlog_json(goals, "tonight", "--date", EVENING)["rows"]}  # fmt: skip
    assert rows["M 42", "Ha"]["frames_fit"] > 0
    assert rows["M 42", "Ha"]["alt_max_deg"] == pytest.approx(37.1, abs=0.2)  # 90 - 47.5 - 5.4
    assert rows["Xyzzy", "Ha"]["reason"] == "no place known"


def test_the_plan_as_csv_is_the_plan_as_json(goals):
    """Guards handing the plan on: the same blocks in both forms."""
    as_json = runlog_json(goals, "tonight", "--date", EVENING)["plan"]
    text = here(goals, "tonight", "--date", EVENING, "--csv").stdout
    as_csv = list(csv.DictReader(io.StringIO(text)))
    assert [row["start_utc"] for row in as_csv] == [row["start_utc"] for row in as_json]
    assert [int(row["frames"]) for row in as_csv] == [row["frames"] for row in as_json]
    assert as_json == sorted(as_json, key=lambda row: row["start_utc"])


def test_until_ends_the_plan_by_the_wall_clock(goals, tmp_path):
    """Guards --until on a night of 25 hours: in Prague clocks go back on 2026-10-25 at 3:00."""
    config = tmp_path / "site.toml"
    config.write_text(SITE + 'time_zone = "Europe/Prague"\n')
    told = runlog_json(goals, "tonight", "--date", "2026-10-24", "--until", "04:00",
                       "--config", str(config))  # fmt: skip
    assert max(row["end_utc"] for row in told["plan"]) <= "2026-10-25T03:00:00Z"
    assert max(row["end_utc"] for row in told["plan"]) > "2026-10-25T02:30:00Z"
    shown = here(goals, "tonight", "--date", "2026-10-24", "--config", str(config)).stdout
    assert " CEST" in shown and " CET" in shown and "UTC" not in shown
    asked = ("tonight", "--date", "2026-10-24", "--config", str(config), "--utc")
    in_utc = here(goals, *asked).stdout
    assert "UTC" in in_utc and "CEST" not in in_utc


def test_goals_that_are_reached_are_told_when_asked(goals):
    """Guards --all: the kept 20 minutes of Ha are more than a goal of six minutes."""
    assert here(goals, "goal", "NGC7000", "Ha", "0.1").returncode == 0
    plain = runlog_json(goals, "tonight", "--date", EVENING)["rows"]
    everything = runlog_json(goals, "tonight", "--date", EVENING, "--all")["rows"]
    assert here(goals, "goal", "NGC7000", "Ha", "0").returncode == 0
    assert "NGC 7000" not in {row["target"] for row in plain}
    assert [r["reason"] for r in everything if r["target"] == "NGC 7000"] == ["reached"]


def test_ahead_tells_seasons_and_ranks(goals):
    """Guards `runlog.ahead/1`: a row a night and goal, ranked; the season of M 42 from 47.5 N."""
    told = runlog_json(goals, "ahead", "--date", EVENING, "--nights", "40")
    assert told["schema"] == "runlog.ahead/1"
    keys = "night target filter dark_s usable_s moonless_s effective_s rank season_end".split()
    assert all(set(row) >= set(keys) for row in told["rows"])
    own = [row for row in told["rows"] if (row["target"], row["filter"]) == ("M 33", "L")]
    assert len(own) == 40
    assert own[0]["night"] == EVENING
    best = min(own, key=lambda row: row["rank"])
    assert best["effective_s"] == max(row["effective_s"] for row in own)
    assert best["moonless_s"] == best["usable_s"]  # full Moon on 26 October, new on 9 November
    season = next(g["season_end"] for g in told["goals"] if g["target"] == "M 42")
    assert "2027-02-20" < season < "2027-04-01"
    nowhere = next(g for g in told["goals"] if g["target"] == "Xyzzy")
    assert nowhere["text"] == "unknown, because the place of its target is not known"


def test_ahead_is_shown_for_one_target(goals):
    """Guards the words: the season's end, and that the pace of two nights is no record."""
    done = here(goals, "ahead", "M33", "--date", EVENING)
    assert done.returncode == 0
    assert "season until 2027-" in done.stdout
    assert "fewer than 5 nights are stored" in done.stdout.replace("\n", " ")
    assert "M 42" not in done.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("tonight", "--date", "soon"), "is no date"),
        (("tonight", "--date", "2026-02-30"), "is no date"),
        (("tonight", "--date", "1850-01-01"), "out of range"),
        (("tonight", "--until", "25:00"), "is no time of day"),
        (("tonight", "--rig", "Nessie"), "rig"),
        (("tonight", "--target", "M 104"), "No frame of M 104"),
        (("ahead", "--nights", "0"), "out of range"),
        (("ahead", "--nights", "5000"), "out of range"),
    ],
)
def test_what_cannot_be_planned_is_said(goals, words, said):
    """Guards bad input: exit code 2 and the reason, never a traceback or another plan."""
    done = here(goals, *words)
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("horizon = [[0, 20], [180, 30]]", "hole"),
        ("horizon = [[0, 20], [90, 30], [80, 20], [180, 20], [270, 20]]", "do not rise"),
        ("horizon = [[0, 20], [90, 30], [90, 20], [180, 20], [270, 20]]", "twice"),
        ("horizon = [[0, 20], [90, 95], [180, 20], [270, 20]]", "out of range"),
        ("horizon = [[0, 20, 3]]", "list of points"),
        ("horizon = [[0, nan], [90, 20], [180, 20], [270, 20]]", "list of points"),
        ('horizon = "hills"', "list of points"),
        ("horizon = [[5, 20]]", "two points"),
        ("lowest_deg = 95", "out of range"),
        ("dark_sky_mag = 5", "out of range"),
        ("[tonight]\ntwilight_deg = -30", "out of range"),
        ("[tonight]\nbefore_meridian_min = -5", "out of range"),
        ("[tonight]\nweather = 1", "is not a setting"),
    ],
)
def test_a_horizon_or_limit_that_makes_no_sense_is_refused(goals, tmp_path, text, said):
    """Guards the config: holes, wrong order and contradicting limits are told with the cure."""
    config = tmp_path / "site.toml"
    config.write_text(SITE + text + "\n")
    done = here(goals, "tonight", "--date", EVENING, "--config", config)
    assert done.returncode == 3
    assert said in done.stderr


def test_nothing_stored_and_no_site_are_said(tmp_path):
    """Guards a first start, and frames whose headers tell no place."""
    (tmp_path / "frames").mkdir()
    assert here(tmp_path, "tonight").returncode != 0
    lights(tmp_path, "2026-10-02", 2, SITELAT=None, SITELONG=None)
    assert here(tmp_path, "scan", tmp_path / "frames").returncode == 0
    done = here(tmp_path, "tonight")
    assert done.returncode == 2
    assert "The site is not known" in done.stderr
    assert "[site]" in done.stderr


def test_two_rigs_and_one_goal(goals, tmp_path):
    """Guards sharing: the rig that has most of a goal ends it tonight, and the other is told so."""
    for i in range(2):
        (tmp_path / "frames").mkdir(exist_ok=True)
        lights(tmp_path, "2026-10-02", 3 + i, RA=23.46 + i / 100,
               TELESCOP=("Old Newton", "Ladybird")[i], FOCALLEN=(1000.0, 540.0)[i],
               INSTRUME=f"Cam {i}")  # fmt: skip
    assert here(tmp_path, "scan", tmp_path / "frames").returncode == 0
    assert here(tmp_path, "goal", "M33", "L", "9").returncode == 0
    both = runlog_json(tmp_path, "tonight", "--date", EVENING)
    assert {row["rig"].split()[0] for row in both["plan"]} == {"Ladybird"}
    assert len(both["rigs"]) == 2
    newton = runlog_json(tmp_path, "tonight", "--date", EVENING, "--rig", "Newton")
    assert not newton["plan"]
    reason = newton["rows"][0]["reason"]
    assert reason.startswith("planned with Ladybird") and reason.endswith("and will be reached")


def test_panels_of_a_mosaic_are_planned_one_by_one(tmp_path):
    """Guards mosaics: a goal of the mosaic is one of each panel, each at its own place."""
    (tmp_path / "frames").mkdir()
    for panel, ra in ((1, 313.0), (2, 316.0)):
        lights(tmp_path, "2026-10-02", 2, f"NGC7000_Panel{panel}", 18 + panel, RA=ra, DEC=44.3)
    assert here(tmp_path, "scan", tmp_path / "frames").returncode == 0
    assert here(tmp_path, "goal", "NGC7000", "L", "6").returncode == 0
    rows = runlog_json(tmp_path, "tonight", "--date", EVENING)["rows"]
    assert {row["target"] for row in rows} == {"NGC 7000 panel 1", "NGC 7000 panel 2"}
    transits = sorted(row["transit_utc"] for row in rows)
    assert transits[0] != transits[1]


def test_json_is_whole(goals):
    """Guards scripts: stdout is one JSON object, whatever is said beside it."""
    done = here(goals, "tonight", "--date", EVENING, "--json")
    assert json.loads(done.stdout)["night"] == EVENING


def test_totals_point_to_the_plan(goals):
    """Guards the pointer: goals that are short, and where the plan is; none without goals."""
    said = here(goals, "totals").stderr
    assert "short: " in said
    assert "The whole plan: runlog tonight" in said
    assert "short: " not in here(goals, "totals", "--json").stderr
    assert "short: " not in here(goals, "totals", "--night", "2026-10-02").stderr


def test_totals_without_goals_say_nothing_of_a_plan(tmp_path):
    """Guards quiet totals for those who set no goals, and those whose site is not known."""
    lights(tmp_path, "2026-10-02", 2, SITELAT=None, SITELONG=None)
    assert here(tmp_path, "scan", tmp_path / "frames").returncode == 0
    assert "plan" not in here(tmp_path, "totals").stderr
    assert here(tmp_path, "goal", "M33", "L", "5").returncode == 0
    done = here(tmp_path, "totals")
    assert done.returncode == 0
    assert "No plan for tonight: The site is not known" in done.stderr


def test_rigs_at_two_sites_are_each_planned_at_their_own(tmp_path):
    """Guards rigs in two hemispheres: each has its own dark, and its plan lies in it.

    The dark is the one that a plan for the rig alone gives, which is held against ephem's above.
    """
    lights(tmp_path, "2026-10-02", 2)
    lights(tmp_path, "2026-10-02", 2, hour=3, TELESCOP="Far South", SITELAT="-30 10 00",
           SITELONG="-70 48 00")  # fmt: skip
    assert here(tmp_path, "scan", tmp_path / "frames").returncode == 0
    names = [p.name for p in sorted((tmp_path / "frames").iterdir())]
    assert here(tmp_path, "mark", *names, "keep").returncode == 0
    told = runlog_json(tmp_path, "tonight", "--date", EVENING)
    assert len(told["rigs"]) == 2
    sky = ("night", "site", "dark_start_utc", "dark_end_utc", "moon", "sun_lowest_deg")
    for rig in told["rigs"]:
        alone = runlog_json(tmp_path, "tonight", "--date", EVENING, "--rig", rig["rig"])
        assert {key: rig[key] for key in sky} == {key: alone[key] for key in sky}
        own = [block for block in told["plan"] if block["rig"] == rig["rig"]]
        assert all(rig["dark_start_utc"] <= block["start_utc"] for block in own)
        assert all(block["end_utc"] <= rig["dark_end_utc"] for block in own)
    assert told["plan"]
    latitudes = sorted(rig["site"]["latitude_deg"] for rig in told["rigs"])
    assert latitudes[0] == pytest.approx(-30.17, abs=0.01) and latitudes[1] > 0
    said = here(tmp_path, "tonight", "--date", EVENING).stdout
    assert said.count(f"Night of {EVENING}") == 2
    assert said.count("Dark from") == 2


def test_goals_that_rigs_may_claim_alike_are_shared_out(tmp_path):
    """Guards two like rigs: each has a goal of its own, and neither is left without work.

    M 45 is Old Newton's, which takes part in M 31 until it has risen. One named alone is given what
    it is given beside the other.
    """
    (tmp_path / "frames").mkdir()
    for telescope, camera in (("Old Newton", "Cam 0"), ("Ladybird", "Cam 1")):
        lights(tmp_path, "2026-10-02", 2, TELESCOP=telescope, INSTRUME=camera)
    assert here(tmp_path, "scan", tmp_path / "frames").returncode == 0
    for target in ("M31", "M45"):
        assert here(tmp_path, "goal", target, "L", "9", "--new").returncode == 0
    line = ("tonight", "--date", EVENING)
    both = [(row["rig"], row["target"]) for row in runlog_json(tmp_path, *line)["rows"]]
    given = {rig: [target for one, target in both if one == rig] for rig, _ in both}
    assert given == {"Ladybird + Cam 1": ["M 31"], "Old Newton + Cam 0": ["M 31", "M 45"]}
    for rig, targets in given.items():
        alone = runlog_json(tmp_path, *line, "--rig", rig)["rows"]
        assert [row["target"] for row in alone if row["rig"]] == targets


OWL, TERN = {"TELESCOP": "Owl", "INSTRUME": "Cam 0"}, {"TELESCOP": "Tern", "INSTRUME": "Cam 1"}


@pytest.fixture(scope="module")
def two_filters(tmp_path_factory):
    """Owl has shot M 33 through Ha alone, Tern M 31 through L: no goal yet."""
    home = tmp_path_factory.mktemp("filters")
    (home / "frames").mkdir()
    lights(home, "2026-10-02", 4, FILTER="Ha", **OWL)
    lights(home, "2026-10-02", 2, "M31", RA=10.7, DEC=41.3, **TERN)
    assert here(home, "scan", home / "frames").returncode == 0
    return home


def shared(home, *goals):
    """Set goals, and give what tonight's rigs are told and each goal's rig; takes them away."""
    for target, name in goals:
        assert here(home, "goal", target, name, "9").returncode == 0
    told = runlog_json(home, "tonight", "--date", EVENING)
    season = runlog_json(home, "ahead", "--date", EVENING, "--nights", "1")["rows"]
    shown = here(home, "tonight", "--date", EVENING).stdout
    for target, name in goals:
        assert here(home, "goal", target, name, "0").returncode == 0
    remarks = {rig["rig"][:4].strip(): rig["remarks"] for rig in told["rigs"]}
    assert all(said in shown for own in remarks.values() for said in own)
    taken = {(row["target"], row["filter"]): row["rig"][:4].strip() for row in told["rows"]}
    assert {(row["target"], row["filter"]): row["rig"][:4].strip() for row in season} == taken
    return remarks, taken


def test_a_goal_goes_to_a_rig_that_used_its_filter(two_filters):
    """Owl knows M 33, and has no L: the goal is Tern's, and Owl is told why it has none."""
    remarks, taken = shared(two_filters, ("M33", "L"))
    assert taken == {("M 33", "L"): "Tern"}
    assert remarks == {
        "Tern": [],
        "Owl": ["What is wanted is through filters that this rig never used; it used Ha"],
    }


def test_a_filter_that_no_rig_used_is_said(two_filters):
    """M 33 through Clear goes to Owl, which knows M 33; that it never used Clear is said."""
    remarks, taken = shared(two_filters, ("M33", "Clear"), ("M31", "L"))
    assert taken == {("M 33", "Clear"): "Owl", ("M 31", "L"): "Tern"}
    assert remarks == {
        "Tern": [],
        "Owl": ["Neither this rig nor any beside it ever used Clear: M 33 Clear"],
    }


def test_a_rig_alone_is_told_of_a_filter_it_never_used(goals):
    """The only rig takes every goal: Clear is told, L and Ha, which it used, are not."""
    assert here(goals, "goal", "M33", "Clear", "2").returncode == 0
    (rig,) = runlog_json(goals, "tonight", "--date", EVENING)["rigs"]
    assert here(goals, "goal", "M33", "Clear", "0").returncode == 0
    assert rig["remarks"] == ["This rig never used Clear: M 33 Clear"]


def test_a_rig_that_is_left_out_is_told_who_was_given_what(tmp_path):
    """Of two that shot M 33 L one logged more; a night at another site counts as use of L."""
    (tmp_path / "frames").mkdir()
    lights(tmp_path, "2026-10-02", 3, **OWL)
    lights(tmp_path, "2026-09-02", 4, SITELAT="-30 10 00", **TERN)
    lights(tmp_path, "2026-10-02", 2, FILTER="Ha", **TERN)
    assert here(tmp_path, "scan", tmp_path / "frames").returncode == 0
    remarks, taken = shared(tmp_path, ("M33", "L"))
    assert taken == {("M 33", "L"): "Owl"}
    (said,) = remarks["Tern"]
    assert said.startswith("M 33 L is planned with Owl")
    assert said.endswith(", which logged more of it at its site, and will be reached there")


# --- another site -----------------------------------------------------------------------------

SITES = """
[sites."Dark hill"]
latitude_deg = -33.9
longitude_deg = 18.5
lowest_deg = 25
time_zone = "Africa/Johannesburg"
"""


def test_another_site_by_its_name(goals, tmp_path):
    """A night elsewhere.

    The dark of 33.9 S 18.5 E on 2026-11-26 is ephem's (specification, +-30 s); the rig's pace
    goes with it, its record of clear nights stays at home; times are by the clock there.
    """
    config = tmp_path / "sites.toml"
    config.write_text(SITE + SITES)
    line = ["tonight", "--date", "2026-11-26", "--config", str(config)]
    home, there = (runlog_json(goals, *line, *more) for more in ((), ("--site", "dark hill")))
    assert there["site"]["from"] == "config, Dark hill"
    assert there["dark_start_utc"][:16] in ("2026-11-26T19:17", "2026-11-26T19:18")
    assert there["dark_end_utc"][:16] in ("2026-11-27T01:48", "2026-11-27T01:49")
    pace = ("overhead_same_filter_s", "setup_s", "overhead_from", "flip")
    for key in pace:
        assert there["rigs"][0][key] == home["rigs"][0][key], key
    assert {row["exposure_s"] for row in there["rows"]} == {
        row["exposure_s"] for row in home["rows"]
    }
    assert home["share_usable"] is not None and there["share_usable"] is None
    heights = {row["target"]: row["alt_max_deg"] for row in there["rows"]}
    assert heights["M 33"] == pytest.approx(90 - 33.9 - 30.7, abs=0.3)  # by its declination
    shown = here(goals, *line, "--site", "Dark hill").stdout
    assert "Dark from 21:17 to 03:48 SAST" in shown


def test_a_site_nobody_named(goals, tmp_path):
    """Guards a name that is not there, for both commands, and one that says no place."""
    config = tmp_path / "sites.toml"
    config.write_text(SITE + SITES)
    for command in ("tonight", "ahead"):
        done = here(goals, command, "--site", "Valley", "--config", str(config))
        assert done.returncode == 2
        assert "names no site 'Valley'" in done.stderr and "Named there: Dark hill" in done.stderr
    config.write_text("[sites.Valley]\nlatitude_deg = 3\n")
    done = here(goals, "tonight", "--config", str(config))
    assert done.returncode == 3 and "[sites.Valley] does not say where it is" in done.stderr


def test_weeks_ahead_at_another_site(goals, tmp_path):
    """M 33, declination 31, is higher than 25 degrees at 33.9 S for less time than at 50.1 N."""
    config = tmp_path / "sites.toml"
    config.write_text(SITE + SITES)
    line = ["ahead", "--date", "2026-11-26", "--nights", "10", "--config", str(config)]
    home, there = (
        {r["night"]: r["usable_s"] for r in runlog_json(goals, *line, *more)["rows"]
         if (r["target"], r["filter"]) == ("M 33", "L")}
        for more in ((), ("--site", "Dark hill"))
    )  # fmt: skip
    assert len(there) == 10 and home.keys() == there.keys()
    assert all(there[night] < home[night] for night in home)
