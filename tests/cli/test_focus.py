"""runlog focus: sweeps in a real database, as a person asks for them."""

import csv
import io
from dataclasses import replace

import numpy as np
import pytest

from runlog.store.engine import open_engine
from runlog.store.migrate import ready
from tests.measured import Night, outcomes, put
from tests.tools import here, runlog_json

STEP = 35.0
PER_C, HA_STEPS = 11.5, 40.0
EVENINGS = [(f"2026-10-{2 + 3 * n:02d}", 14.0 - 1.5 * n) for n in range(8)]


def swept(evening, temperature_c, *, name="L", frames=9, seed=1, cards=(), **own):
    """Make the outcomes of one sweep whose focus goes with the temperature."""
    best = 11_000 + PER_C * (temperature_c or 0.0) + (HA_STEPS if name == "Ha" else 0.0)
    night = Night(
        evening, frames, seed, name, exposure_s=4.0, **own,
        cards=(("IMAGETYP", "Focus"), ("FOCTEMP", temperature_c), ("APTDIA", 90.0), *cards),
    )  # fmt: skip
    middle = own.get("cards_middle", round(best / 10) * 10)
    random = np.random.default_rng([seed, len(evening), int(evening[-2:])])
    found = []
    for n, outcome in enumerate(outcomes(night)):
        place = middle + STEP * (n - frames // 2)
        size = float(np.hypot(0.9, 0.021 * (place - best)) * (1 + 0.02 * random.standard_normal()))
        found.append(_stepped(night, outcome, n, place, size))
    return found


def _stepped(night, outcome, n, place, size):
    """Give a frame its place of the focuser, its time within the sweep and its widths."""
    minute = 0 if night.filter == "L" else 20
    start = f"{night.evening}T20:{minute + n // 6:02d}:{10 * (n % 6):02d}"
    values = {"FOCUSPOS": place, "DATE-OBS": start}
    cards = [c for c in outcome.frame.cards if c.keyword not in values]
    from runlog.config import Settings
    from runlog.core.frame import Card
    from runlog.core.header.parse import parse_header
    from runlog.store.frames import path_parts

    cards = (*cards, *(Card(key, value) for key, value in values.items() if value is not None))
    sized = replace(
        outcome.frame.measurement, fwhm_px=2 * size, hfr_px=size, fwhm_px_err=0.03, stars=150
    )
    key = f"{outcome.frame.content_key[:20]}{night.seed:06d}{n:06d}"
    frame = replace(outcome.frame, cards=cards, measurement=sized, content_key=key)
    header = parse_header(cards, frame.shape, path_parts(outcome.path), Settings().rules)
    path = outcome.path.replace(b".fits", f"_{night.seed}_focus.fits".encode())
    return replace(outcome, frame=frame, header=header, path=path)


def stored(folder, *sweeps):
    """Put sweeps into the database of a home."""
    engine = ready(open_engine(str(folder / "night.sqlite")))
    for found in sweeps:
        put(engine, found)
    engine.dispose()
    return folder


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """Eight nights with a sweep in L, five of them with one in Ha too, and some lights."""
    made = [swept(evening, warm, seed=n) for n, (evening, warm) in enumerate(EVENINGS)]
    made += [
        swept(evening, warm, name="Ha", seed=50 + n)
        for n, (evening, warm) in enumerate(EVENINGS[:5])
    ]
    lights = outcomes(Night("2026-10-02", cards=(("FOCUSPOS", 11_160),)))
    return stored(tmp_path_factory.mktemp("focus"), *made, lights)


def of_kind(body, kind):
    """Give the rows of a kind."""
    return [row for row in body["rows"] if row["kind"] == kind]


def test_a_season(season):
    """Thirteen sweeps, the slope and the offset that were drawn, and when to focus again."""
    body = runlog_json(season, "focus")
    assert body["schema"] == "runlog.focus/1"
    sweeps = of_kind(body, "sweep")
    assert [row["verdict"] for row in sweeps] == ["found"] * 13
    best = {(row["night"], row["filter"]): row["best_pos"] for row in sweeps}
    assert best["2026-10-02", "L"] == pytest.approx(11_000 + PER_C * 14, abs=4)
    (slope,) = of_kind(body, "slope")
    assert slope["slope_low"] <= PER_C <= slope["slope_high"]
    assert slope["slope_high"] - slope["slope_low"] < 2
    (offset,) = of_kind(body, "offset")
    assert (offset["filter"], offset["against"], offset["offset_from"]) == ("Ha", "L", "sweeps")
    assert abs(offset["offset_steps"] - HA_STEPS) <= offset["offset_err"] < 6
    (advice,) = of_kind(body, "advice")
    zone = 0.3202 * 0.9 / 0.021  # (a/b) sqrt(1.05^2 - 1)
    assert advice["refocus_each_c"] == pytest.approx(zone / PER_C, rel=0.15)
    zones = {row["filter"]: row["zone_um"] for row in of_kind(body, "zone")}
    assert zones["L"] == pytest.approx(39.6, abs=0.05)  # 2 lambda N^2 at f/6, 550 nm
    assert set(zones) == {"L", "Ha"}


def test_words_and_picture(season):
    """A night's sweep in words with its V, the night's lights beneath, and what follows."""
    done = here(season, "focus", "--night", "2026-10-02", "--filter", "L")
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("Best position 111") == 1
    assert "Refocus every 1.2 C" in done.stdout
    assert "quarter wave: 2 lambda N^2 to each side" in done.stdout
    assert "+-------" in done.stdout
    assert "X" in done.stdout
    assert "half-flux radius in px" in done.stderr
    plain = here(season, "focus", "--night", "2026-10-02", "--no-plot").stdout
    assert "+---" not in plain


def test_csv(season):
    """One line a row under the published keys."""
    rows = list(csv.DictReader(io.StringIO(here(season, "focus", "--csv").stdout)))
    assert {row["kind"] for row in rows} == {"sweep", "slope", "offset", "advice", "zone"}
    assert float(rows[0]["best_pos"]) > 11_000


def test_nothing_that_fits(season):
    """A night without a sweep says so, and gives an empty list."""
    done = here(season, "focus", "--night", "2026-01-01")
    assert done.returncode == 0
    assert "No focus sweep that fits is stored" in done.stderr
    assert runlog_json(season, "focus", "--night", "2026-01-01")["rows"] == []


BAD = {
    "no focuser": (
        [swept("2026-10-02", 9.0, cards=(("FOCUSPOS", None),))], "", "9 focus frames tell no"
    ),
    "no temperature": (
        [swept(evening, None, seed=n) for n, (evening, _) in enumerate(EVENINGS)],
        "no sweep that tells a focus tells a temperature", "",
    ),
    "two frames": ([swept("2026-10-02", 9.0, frames=2)], "", "No focus sweep is stored"),
    "never swept": (
        [swept("2026-10-02", 9.0)], "the slope over temperature is unknown", "",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_what_is_unknown_is_said(tmp_path, name):
    """No focuser, no temperature, two frames, one sweep: an answer, a reason, no traceback."""
    found, out, err = BAD[name]
    if name == "no focuser":
        found = [[_without_position(o) for o in found[0]]]
    done = here(stored(tmp_path, *found), "focus")
    assert done.returncode == 0, done.stderr
    assert out in done.stdout
    assert err in done.stderr


def _without_position(outcome):
    """Take the focuser's place out of a frame's header."""
    from runlog.config import Settings
    from runlog.core.header.parse import parse_header
    from runlog.store.frames import path_parts

    cards = tuple(c for c in outcome.frame.cards if c.keyword != "FOCUSPOS")
    header = parse_header(cards, outcome.frame.shape, path_parts(outcome.path), Settings().rules)
    return replace(outcome, frame=replace(outcome.frame, cards=cards), header=header)


def test_a_rebuilt_rig_compares_apart(season, tmp_path):
    """After a note the earlier sweeps are another rig's: too few are left for a slope."""
    (tmp_path / "night.sqlite").write_bytes((season / "night.sqlite").read_bytes())
    assert here(tmp_path, "note", "new focuser", "--date", "2026-10-14").returncode == 0
    (slope,) = of_kind(runlog_json(tmp_path, "focus"), "slope")
    assert slope["slope_per_c"] is None or slope["span_c"] < 7
