"""runlog losses on real databases of drawn nights that have one fault each."""

import csv
import io

import pytest

from runlog.store.engine import open_engine
from runlog.store.migrate import ready
from tests.cli.test_focus import EVENINGS, swept
from tests.measured import Night, outcomes, put
from tests.tools import here, runlog_json

KEYS = "cause what whose frames lost_s gained_s cure_s share".split()
CLEAN = "2026-10-09"
FAULTY = "2026-10-12"
HALF = range(4, 12)
ONE_FAULT = {
    "less light": {"light": 0.8},
    "brighter sky": {"noise_adu": 28.0},
    "wider stars, cause unknown": {"times": 1.25},
    "cloud": {"own": {n: {"light": (0.3, 0.1, 0.4, 0.15, 0.5)[n % 5]} for n in HALF}},
    "trailed": {"own": {n: {"eccentricity": 0.85} for n in HALF}},
    "defocused": {"own": {n: {"times": 1.7, "profile": 0.5} for n in HALF}},
}


def night_of(folder, **fault):
    """Make a home with a clean night, and one with a fault."""
    engine = ready(open_engine(str(folder / "night.sqlite")))
    put(engine, outcomes(Night(CLEAN, frames=16)))
    put(engine, outcomes(Night(FAULTY, frames=16, **fault)))
    engine.dispose()
    return folder


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    """What two clean nights lose to their own scatter."""
    home = night_of(tmp_path_factory.mktemp("clean"))
    return by_cause(runlog_json(home, "losses"))


def by_cause(body):
    """Give what each cause took of the exposure, gains taken off."""
    rows = [row for row in body["rows"] if row["what"] != "dark"]
    return {(r["cause"], r["what"]): r["lost_s"] - r["gained_s"] for r in rows}


@pytest.mark.parametrize("cause", ONE_FAULT)
def test_one_fault_is_put_in_its_class(tmp_path, clean, cause):
    """Of what a night lost more than a clean one with the same scatter, 95 % is its fault's."""
    body = runlog_json(night_of(tmp_path, **ONE_FAULT[cause]), "losses")
    found = by_cause(body)
    more = {key: found.get(key, 0.0) - clean.get(key, 0.0) for key in found.keys() | clean.keys()}
    own = sum(lost for (name, _), lost in more.items() if name == cause)
    assert own > 600.0
    assert own >= 0.95 * sum(lost for lost in more.values() if lost > 0)
    sums = body["budget"]
    whole = sums["effective_s"] + sum(found.values()) + sums["unknown_s"]
    assert whole == pytest.approx(sums["logged_s"], rel=1e-9)


def test_rows_and_words(tmp_path):
    """Every key, ranked; unused dark of whole nights alone; selection by night."""
    home = night_of(tmp_path, light=0.8)
    body = runlog_json(home, "losses")
    assert body["schema"] == "runlog.losses/1"
    assert all(list(row) == KEYS for row in body["rows"])
    lost = [row["lost_s"] for row in body["rows"]]
    assert lost == sorted(lost, reverse=True)
    assert sum(row["share"] for row in body["rows"]) == pytest.approx(1.0)
    dark = [row for row in body["rows"] if row["what"] == "dark"]
    assert dark
    sums = body["budget"]
    assert sums["dark_unused_s"] == pytest.approx(sum(row["lost_s"] for row in dark))
    whole = sums["dark_exposed_s"] + sums["dark_unused_s"]
    assert whole == pytest.approx(sums["dark_s"], rel=1e-9)
    assert sums["dark_exposed_s"] == 32 * 300.0
    part = runlog_json(home, "losses", "--target", "M33")
    assert part["budget"]["dark_unused_s"] is None
    assert not [row for row in part["rows"] if row["what"] == "dark"]
    one = runlog_json(home, "losses", "--since", FAULTY)
    assert one["budget"]["logged_s"] == 16 * 300.0
    rows = list(csv.DictReader(io.StringIO(here(home, "losses", "--csv").stdout)))
    assert list(rows[0]) == KEYS
    shown = here(home, "losses")
    assert "2 nights, 2 h 40 min exposed" in shown.stdout
    assert "No light frame" in here(home, "losses", "--night", "2026-01-01").stderr


def test_a_cure_is_named(tmp_path):
    """Eight sweeps tell the rule, a night that cooled unfocused what it would have saved."""
    sweeps = [found for n, (night, warm) in enumerate(EVENINGS) for found in
              swept(night, warm, seed=n)]  # fmt: skip
    own = {
        n: {"cards": (("FOCTEMP", 8.0 - 0.5 * n), ("FOCUSPOS", 11_090))}
        | ({"times": 1.7, "profile": 0.5} if n >= 10 else {})
        for n in range(16)
    }
    engine = ready(open_engine(str(tmp_path / "night.sqlite")))
    put(engine, sweeps)
    put(engine, swept("2026-11-01", 8.0, seed=77))
    put(engine, outcomes(Night("2026-11-01", frames=16, own=own)))
    engine.dispose()
    body = runlog_json(tmp_path, "losses", "--night", "2026-11-01")
    (cure,) = body["refocusing"]
    each = next(r for r in runlog_json(tmp_path, "focus")["rows"] if r["kind"] == "advice")
    assert cure["each_c"] == pytest.approx(each["refocus_each_c"])
    assert cure["lost_s"] == 6 * 300.0
    assert cure["runs"] * cure["run_s"] == pytest.approx(6 * 300.0 - cure["saved_s"])
    said = " ".join(here(tmp_path, "losses", "--night", "2026-11-01").stdout.split())
    assert f"out of focus 30 min: a refocus each {cure['each_c']:.1f} C would have saved" in said


def test_a_cure_that_sweeps_do_not_tell(tmp_path):
    """Without sweeps it is unknown, and said why."""
    body = runlog_json(night_of(tmp_path, **ONE_FAULT["defocused"]), "losses")
    (cure,) = body["refocusing"]
    assert cure["saved_s"] is None
    assert "is unknown, because no sweep" in cure["text"]
