"""What months, sweeps and the axis say in the morning: nights of drawn numbers, really settled.

Evenings around new moons of 2026 (Meeus, Astronomical Algorithms, ch. 49: 12 Aug, 11 Sep, 10 Oct,
9 Nov): at 21 h UTC the Moon is down, and the Sun lower than 18 degrees at 47.5 N 16 E.
"""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from runlog.actions.open import open_store
from runlog.config import Settings
from tests.cli.test_alignment import turning
from tests.cli.test_focus import EVENINGS, swept
from tests.measured import Night, outcomes, put
from tests.tools import here, runlog_json

NEW_MOONS = [date(2026, 8, 12), date(2026, 9, 11), date(2026, 10, 10), date(2026, 11, 9)]
MOONLESS = [(new + timedelta(days=d)).isoformat() for new in NEW_MOONS for d in range(-5, 3)]
HIGH = MOONLESS[16:24]  # M 33 stands high at 21 h: the same airmass within 3 %
FULL = "2026-11-24"  # the Moon is up at 21 h (full on 24 Nov)
STEP = 22  # the night from which on the field is tilted


def lights(evening, *, tilt=0.03, fainter_mag=0.0, **own):
    """Make a night's lights with a tilt and a sky of their own."""
    random = np.random.default_rng(date.fromisoformat(evening).toordinal())
    found = []
    sky = 800.0 * 10 ** (-0.4 * (fainter_mag + 0.02 * random.standard_normal()))
    for outcome in outcomes(Night(evening, **own)):
        measured = outcome.frame.measurement
        at = tilt + 0.004 * float(random.standard_normal())
        measured = replace(measured, field=replace(measured.field, tilt=at), background_adu=sky)
        found.append(replace(outcome, frame=replace(outcome.frame, measurement=measured)))
    return found


def stored(home, *nights):
    """Put nights into the database of a home, and settle them."""
    engine = open_store(str(home / "night.sqlite"), Settings(), make=True)
    for night in nights:
        put(engine, night)
    engine.dispose()
    return home


def said(home, night, part):
    """Give the verdict of a part in the morning, and what is to be checked of it."""
    body = runlog_json(home, "night", night)
    found = body["verdicts"][part]
    checks = [check for check in body["to_check"] if check.startswith(part)]
    return found["verdict"], found["evidence"], checks


@pytest.fixture(scope="module")
def tilted(tmp_path_factory):
    """A season whose field tilts from the 23rd night on; one night of it is bad from end to end."""
    nights = [
        lights(evening, tilt=0.03 if n < STEP else 0.10) for n, evening in enumerate(MOONLESS)
    ]
    bad = lights("2026-11-15", tilt=0.10, eccentricity=0.9)
    home = stored(tmp_path_factory.mktemp("tilted"), *nights, bad)
    assert here(home, "note", "new corrector", "--date", MOONLESS[STEP], "--remark").returncode == 0
    return home


def test_a_tilt_that_grew_is_told_and_what_was_done_then(tilted):
    """The step of 7 % that was drawn, its night, the note beside it; good becomes fair."""
    verdict, evidence, checks = said(tilted, MOONLESS[-1], "optics")
    assert verdict == "fair"
    assert f"tilt grew by 7% of the width since {MOONLESS[STEP]}, after: new corrector" in evidence
    assert f"(L, {len(MOONLESS)} nights)" in evidence
    assert len(checks) == 1 and f"touched about {MOONLESS[STEP]}" in checks[0]
    shown = here(tilted, "night", MOONLESS[-1]).stdout
    assert "tilt grew" in shown


def test_before_the_step_and_on_a_first_night_nothing_is_told(tilted):
    """Guards words that say nothing: a steady season, and a night without any before it."""
    for night in (MOONLESS[0], MOONLESS[5], MOONLESS[STEP - 1]):
        verdict, evidence, checks = said(tilted, night, "optics")
        assert (verdict, checks) == ("good", [])
        assert "tilt" not in evidence
        assert "mag" not in said(tilted, night, "sky")[1]


def test_what_months_say_is_what_trends_say(tilted):
    """Guards two answers to one question: the same step by `runlog trends` up to that night."""
    rows = runlog_json(tilted, "trends", "--until", MOONLESS[-1], "--what", "tilt")["rows"]
    assert [(r["verdict"], r["change_night"]) for r in rows] == [("changed", MOONLESS[STEP])]


def test_a_night_bad_from_end_to_end_shows_no_new_field(tilted):
    """Trailed throughout, nothing kept: its field tells no tilt, its sky none."""
    body = runlog_json(tilted, "night", "2026-11-15")
    assert body["counts"]["keep"] == 0
    assert "tilt grew" not in said(tilted, "2026-11-15", "optics")[1]
    assert "mag" not in said(tilted, "2026-11-15", "sky")[1]


DARKER, BRIGHTER, SAME = 0.35, -0.45, 0.03


@pytest.mark.parametrize(("fainter", "words"), [
    (DARKER, "0.3 mag darker than your usual moonless night (L, 7 nights)"),
    (BRIGHTER, "0.5 mag brighter than your usual moonless night (L, 7 nights)"),
    (SAME, ""),
])  # fmt: skip
def test_a_moonless_sky_beside_the_usual_one(tmp_path, fainter, words):
    """What was drawn, in magnitudes; three hundredths are no news."""
    *before, last = HIGH
    home = stored(tmp_path, *map(lights, before), lights(last, fainter_mag=fainter))
    evidence = said(home, last, "sky")[1]
    tenths = words.split(" ")[0]
    assert not words or words.removeprefix(tenths) in evidence
    assert bool(words) == ("usual moonless night" in evidence)
    if words:
        mag = float(evidence.split(" mag ")[0].rsplit(" ", 1)[1])
        assert mag == pytest.approx(abs(fainter), abs=0.1)


def test_a_moonlit_sky_is_not_set_beside_moonless_ones(tmp_path):
    """Guards the Moon taken for haze, and too few nights taken for a usual one."""
    home = stored(tmp_path, *map(lights, HIGH), lights(FULL, fainter_mag=-1.5))
    assert "moonless" not in said(home, FULL, "sky")[1]
    assert "moonless" not in said(home, HIGH[3], "sky")[1]


# --- focus ------------------------------------------------------------------------------------

LOST = {n: {"times": 1.8, "profile": 0.5} for n in range(14, 22)}


def cooling(evening, per_frame_c, lost):
    """Make a night over which the focuser cools; some frames are wide and flat."""
    own = {
        n: lost.get(n, {}) | {"cards": (("FOCTEMP", 12.0 - per_frame_c * n), ("FOCUSPOS", 11_100))}
        for n in range(22)
    }
    return outcomes(Night(evening, 22, own=own))


@pytest.fixture(scope="module")
def sweeps():
    """Eight sweeps over ten degrees: the focus holds for 1.2 C (see test_focus)."""
    return [swept(evening, warm, seed=n) for n, (evening, warm) in enumerate(EVENINGS)]


def test_a_night_that_lost_its_focus_is_told_when_to_focus_again(tmp_path, sweeps):
    """The advice of `runlog focus`, among what to check, instead of a rule of thumb."""
    home = stored(tmp_path, *sweeps, cooling("2026-11-01", 0.2, LOST))
    verdict, evidence, checks = said(home, "2026-11-01", "focus")
    assert verdict == "poor"
    assert (
        "the temperature went over 4.2 C, and by your sweeps the focus holds for 1.2 C" in evidence
    )
    (check,) = checks
    assert "next time refocus every 1.2 C" in check
    assert "1 to 2 C" not in check
    (advice,) = [r for r in runlog_json(home, "focus")["rows"] if r["kind"] == "advice"]
    assert f"{advice['refocus_each_c']:.1f}" == "1.2"


@pytest.mark.parametrize(("per_frame_c", "lost", "with_sweeps"), [
    (0.2, {}, True), (0.01, LOST, True), (0.2, LOST, False),
])  # fmt: skip
def test_no_advice_where_it_is_of_no_use(tmp_path, sweeps, per_frame_c, lost, with_sweeps):
    """In focus throughout; lost without a change of temperature; no sweep that tells a slope."""
    home = stored(
        tmp_path, *(sweeps if with_sweeps else ()), cooling("2026-11-01", per_frame_c, lost)
    )
    verdict, evidence, checks = said(home, "2026-11-01", "focus")
    assert (verdict == "good") == (not lost)
    assert "sweeps" not in evidence
    assert all("refocus every" not in check for check in checks)


# --- axis -------------------------------------------------------------------------------------


def test_an_axis_that_trails_the_corners_is_told(tmp_path):
    """The 130' put in, and the trail they make; beside it a night whose axis costs nothing."""
    home = stored(tmp_path, turning("2026-10-14", 110.0, -70.0), turning("2026-10-20", 1.0, -1.0))
    verdict, evidence, checks = said(home, "2026-10-14", "tracking")
    assert verdict in ("fair", "poor")
    (row,) = runlog_json(home, "alignment", "--night", "2026-10-14")["rows"]
    assert row["size_arcmin"] == pytest.approx(np.hypot(110, 70), rel=0.05)
    assert f"the polar axis is {row['size_arcmin']:.1f}'" in evidence
    assert f"by {row['trail_px']:.1f} px in 300 s" in evidence
    assert any("polar axis (runlog alignment)" in check for check in checks)
    assert "axis" not in said(home, "2026-10-20", "tracking")[1]
