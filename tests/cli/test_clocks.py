"""Which clock a command's times are by: the site's for people, UTC if asked, UTC in JSON and CSV.

Offsets of Vienna: +1 h, from the last Sunday in March to the last in October +2 h (IANA time zone
database, by Python's zoneinfo).
"""

import json
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from runlog.cli import COMMANDS
from runlog.core.moments import MOMENTS
from runlog.core.times import Zone, times_in
from tests.tools import here, noise, runlog, write_frame

SUMMER, WINTER = "2026-10-09T20:10:00", "2026-11-09T20:10:00"
VIENNA = '[site]\ntime_zone = "Europe/Vienna"\nlatitude_deg = 47.5\nlongitude_deg = 16.0\n'


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """Scan lights of a summer time's and a winter time's night; config: Vienna."""
    home = tmp_path_factory.mktemp("clocks")
    for number, start in enumerate((SUMMER, WINTER)):
        cards = {"DATE__OBS": start, "OBJECT": "M33", "RA": 23.46, "DEC": 30.66}
        write_frame(home / "frames" / f"light_{number}.fits", noise(number), **cards)
    (home / "vienna.toml").write_text(VIENNA)
    assert here(home, "scan", home / "frames", env=CONFIG).returncode == 0
    for name in ("light_0.fits", "light_1.fits"):
        assert here(home, "mark", name, "keep").returncode == 0
    assert here(home, "targets", "rename", "M33", "Spiral").returncode == 0
    return home


CONFIG = {"RUNLOG_CONFIG": "vienna.toml"}


def said(home, *words, run=here):
    """Give what a command prints with that config."""
    done = run(home, *words, env=CONFIG)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.parametrize(
    ("night", "heading", "time"),
    [("2026-10-09", "CEST", "10-09 22:10:00"), ("2026-11-09", "CET", "11-09 21:10:00")],
)
def test_frames_by_the_clock_of_the_site(home, night, heading, time):
    """The heading names the clock that a night's times are by."""
    head, _, row = said(home, "frames", "--night", night).splitlines()[:3]
    assert heading in head.split()
    assert time in row


def test_frames_of_two_clocks_name_each(home):
    """Guards a list over the change of clocks: one heading cannot name both."""
    shown = said(home, "frames")
    assert "start" in shown.splitlines()[0].split()
    assert "10-09 22:10:00 CEST" in shown
    assert "11-09 21:10:00 CET" in shown


@pytest.mark.parametrize("words", ["--utc frames", "frames --utc"])
def test_utc_before_and_after_the_command(home, words):
    """As a subprocess: where the option stands is the same to it."""
    shown = said(home, *words.split(), run=runlog)
    assert "UTC" in shown.splitlines()[0].split()
    assert "10-09 20:10:00" in shown


GROUPED = ["--utc targets log", "targets --utc log", "targets log --utc"]


@pytest.mark.parametrize("words", GROUPED)
def test_utc_at_a_group(home, words):
    """Before a group, at it, and at its command: all the same."""
    assert "when (UTC)" in said(home, *words.split())
    assert "when (C" in said(home, "targets", "log")


@pytest.mark.parametrize(
    "words",
    ["--utc roots", "roots --utc", "--utc policy history", "policy --utc history",
     "--utc tonight --date 2026-11-20", "tonight --utc --date 2026-11-20", "--utc night",
     "--utc correct --list", "--utc note"],
)  # fmt: skip
def test_what_tells_times_is_in_utc_if_asked(home, words):
    """No time by another clock is left; without the option there is one, where there are times."""
    asked = said(home, *words.split())
    assert "CE" not in asked
    plain = said(home, *words.replace("--utc", "").split())
    assert ("CE" in plain) == ("UTC" in asked)


@pytest.mark.parametrize("words", ["frames", "tonight --date 2026-11-20", "roots", "night"])
def test_json_is_in_utc(home, words):
    """What programs read hangs on no clock of a site: with and without the option the same."""
    one, other = (said(home, *words.split(), *more, "--json") for more in ((), ("--utc",)))
    assert json.loads(one) == json.loads(other)
    assert "CE" not in one.replace("OBJECT", "")


def test_tonight_by_the_wall_and_until(home):
    """The dark by both clocks; --until is by the wall clock, and in UTC where that is asked."""
    line = ["tonight", "--date", "2026-11-20", "--until", "22:00"]
    wall = said(home, *line)
    assert "CET (" in wall.splitlines()[1]
    ends = [json.loads(said(home, *line, *more, "--json"))["plan"][-1]["end_utc"]
            for more in ((), ("--utc",))]  # fmt: skip
    assert ends[0] <= "2026-11-20T21:00:00Z" < ends[1] <= "2026-11-20T22:00:00Z"


def test_a_moment_at_the_change_of_clocks():
    """02:30 comes twice on 2026-10-25 in Vienna: each names its clock (IANA: back at 01:00 UTC)."""
    moments = [datetime.fromisoformat(f"2026-10-25T0{h}:30:00+00:00") for h in (0, 1)]
    with times_in(Zone(ZoneInfo("Europe/Vienna"))):
        cells = MOMENTS["taken_at_utc"].cells([*moments, None])
        assert MOMENTS["taken_at_utc"].heading(moments) == "start"
    assert cells == ["10-25 02:30:00 CEST", "10-25 02:30:00 CET", None]


def test_measure_shows_what_a_width_rests_on_and_no_more(home):
    """The default columns: widths, shape, sky; all else is in --json. At 80 cells still a table."""
    done = here(home, "measure", "frames/light_0.fits", env={"COLUMNS": "80"})
    head = done.stdout.splitlines()[0]
    assert head.split() == "file kind filter FWHM px FWHM ″ ecc. sky ADU noise ADU".split()


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_takes_database_config_and_utc_behind_its_name(home, name):
    """Guards a command that was forgotten: schema and guide need none of them, and bear them."""
    words = [name, "--db", "night.sqlite", "--config", "vienna.toml", "--utc", "--help"]
    done = here(home, *words)
    assert done.returncode == 0, done.stderr
    before = here(home, *words[1:-1], name, "--help")
    assert before.returncode == 0, before.stderr
