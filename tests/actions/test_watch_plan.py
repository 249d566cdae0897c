"""When the plan of a night that goes on ends: real frames, goals and database."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from runlog.actions.open import open_store
from runlog.actions.watch_judge import Judge
from runlog.actions.watch_plan import plan_end
from runlog.config import load_settings
from runlog.core.grading.policy import Policy
from runlog.core.watch.alarms import Alarms
from runlog.core.watch.overdue import AFTER_PLAN
from runlog.store.engine import reading
from runlog.store.rig_settings import rigs
from tests.core.runs import altered, clean_run
from tests.core.watch.looked import look, told
from tests.tools import here, noise, write_frame

TONIGHT = "2026-10-20"
NOW = datetime(2026, 10, 20, 23, 0, tzinfo=UTC)


def _lights(home, evening: str, frames: int) -> None:
    for i in range(frames):
        at = datetime.fromisoformat(f"{evening}T19:00:00") + timedelta(seconds=318 * i)
        path = home / "frames" / f"{evening}_{i:02d}.fits"
        cards = {"DATE__OBS": at.isoformat(), "OBJECT": "M33", "RA": 23.46, "DEC": 30.66}
        write_frame(path, noise(int(evening[-2:]) * 100 + i), **cards)


def _scanned(home) -> None:
    assert here(home, "scan", home / "frames").returncode == 0
    assert here(home, "mark", *sorted(p.name for p in (home / "frames").iterdir()), "keep")


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """A rig with one earlier night, and a goal that a part of tonight would reach."""
    home = tmp_path_factory.mktemp("plan")
    (home / "frames").mkdir()
    config = "[site]\nlatitude_deg = 50.1\nlongitude_deg = 14.4\n"
    (home / "runlog.toml").write_text(config)
    _lights(home, "2026-10-09", 4)
    _scanned(home)
    return home


def _end(home, target: str = "M 33") -> datetime | None:
    engine = open_store(str(home / "night.sqlite"), settings := load_settings(home / "runlog.toml"))
    with reading(engine) as connection:
        (rig,) = rigs(connection).values()
    return plan_end(engine, settings, rig, TONIGHT, target, NOW)


def _planned(home) -> datetime:
    says = json.loads(here(home, "tonight", "--date", TONIGHT, "--json").stdout)
    return datetime.fromisoformat(max(block["end_utc"] for block in says["plan"]))


def test_the_plans_end_is_that_of_the_evening_whatever_was_reached_since(home):
    """Without goals none tells; with one it is the end of `runlog tonight`, before and after
    tonight's frames; a rig at another target follows another plan."""
    assert _end(home) is None
    assert here(home, "goal", "M33", "L", "1").returncode == 0
    end = _end(home)
    assert abs(end - _planned(home)) < timedelta(seconds=60)
    assert _end(home, "M 31") is None
    _lights(home, TONIGHT, 5)
    _scanned(home)
    assert _planned(home) < end - timedelta(minutes=10)  # less is to go now
    assert end <= _end(home) < end + AFTER_PLAN  # tonight taught how many frames are kept


def test_it_is_looked_up_only_for_a_frame_that_is_overdue():
    """Not while frames come; then once, and its word counts."""
    state, _ = told([look()] * 10)
    lights = [altered(f) for f in clean_run(10)]
    arrived, asked = state.pace.arrived_utc, []

    def ends(last):
        asked.append(last.key)
        return arrived - timedelta(minutes=2)

    judge = Judge(Policy(), {}, lights, state)
    assert judge.overdue(arrived + timedelta(minutes=1), ends) == []
    assert not asked
    assert judge.overdue(arrived + timedelta(hours=1), ends) == []
    assert asked == [lights[-1].key]
    other = Judge(Policy(), {}, lights, Alarms(pace=state.pace))
    assert [w.kind for w in other.overdue(arrived + timedelta(hours=1))] == ["overdue"]
