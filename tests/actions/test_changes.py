"""One table tells what became of nights: after an upgrade, a regrade, an adoption, a cut."""

import os
import re
from datetime import timedelta

import pytest
from sqlalchemy import select, update

from runlog.actions.changes import tell_changes
from runlog.actions.open import open_store
from runlog.actions.regrade import regrade
from runlog.actions.rig_settings import adopt
from runlog.actions.scan import scan
from runlog.actions.settle import settle_all
from runlog.config import Settings
from runlog.core.grading.policy import Limit, Policy
from runlog.core.ledger.effective_time import DepthForm
from runlog.store import models as m
from runlog.store.before import remember
from runlog.store.engine import open_engine, reading, writing
from runlog.store.migrate import ready
from runlog.store.runs import touch_all
from samples.maker.quick import START_UTC, make_run
from tests.store.earlier import rows_of, take_back
from tests.tools import mark_settled, runlog, write_run

PLAIN = Settings(pedestal_adu=500.0)
# No frame is at 1.5 times its night's usual light: all of them are refused.
STRICT = Settings(pedestal_adu=500.0, policy=Policy({"cloud_transparency": Limit(1.5, 1.4)}))


@pytest.fixture(scope="module")
def seen(tmp_path_factory):
    """A database of one night of nine drawn frames, graded: the fourth under cloud."""
    base = tmp_path_factory.mktemp("changes")
    cloudy = {3: {"fault": "cloud"}}
    make_run(base / "frames", frames=9, seed=5, size=(300, 400), overrides=cloudy)
    engine = open_store(str(base / "db.sqlite"), PLAIN)
    scan(engine, PLAIN, [os.fsencode(base / "frames")], workers=2)
    engine.dispose()
    return base / "db.sqlite"


@pytest.fixture
def engine(seen, tmp_path):
    """Open a copy of that database."""
    copy = tmp_path / "copy.sqlite"
    copy.write_bytes(seen.read_bytes())
    engine = open_store(str(copy), PLAIN)
    yield engine
    engine.dispose()


def lines_told(engine):
    """Give the lines that are told now."""
    lines = []
    tell_changes(engine, lines.append)
    return lines


def told(engine):
    """Tell the changes, as one line of words."""
    return " ".join(" ".join(lines_told(engine)).split())


def grades(engine):
    """Give each light frame's grade by its number."""
    with reading(engine) as connection:
        return dict(connection.execute(select(m.frame.c.id, m.frame.c.grade)).all())


def test_adopted_limits_say_which_grades_changed(engine):
    """Limits that refuse all but a marked frame: counts, time and the limit are told, once."""
    kept = min(number for number, grade in grades(engine).items() if grade == "keep")
    mark(engine, kept, "keep")
    adopt(engine, STRICT, None, "tester")
    assert lines_told(engine) == [], "nothing is said before it is graded"
    settle_all(engine, STRICT)
    said = told(engine)
    night = START_UTC.date().isoformat()
    assert said.startswith("1 of 1 night has other grades now")
    assert f"{night} 8 → 1 40 min → 5 min 0 1 → 8 0 " in said
    assert "7 frames rejected now (such as cloud: " in said
    assert grades(engine)[kept] == "keep"
    assert lines_told(engine) == []


def test_a_night_that_loses_all_says_so(engine):
    """Without a kept frame hours are unknown, and the reason is not a reference."""
    adopt(engine, STRICT, None, "tester")
    settle_all(engine, STRICT)
    said = told(engine)
    assert re.search(r"8 → 0 40 min → 0 s 0 1 → 9 0 \S+ min → unknown", said)
    assert said.endswith("; nothing of it is kept")


def test_the_command_says_it_too(tmp_path):
    """`policy adopt` prints the table, `regrade` after it has none to print."""
    config = tmp_path / "strict.toml"
    config.write_text("[policy]\nfew_stars_least = 1000\nfew_stars_share = [0.9, 0.8]\n")
    make_run(tmp_path / "frames", frames=4, size=(300, 400))
    runlog(tmp_path, "scan", tmp_path / "frames")
    done = runlog(tmp_path, "policy", "adopt", env={"RUNLOG_CONFIG": str(config)})
    assert done.returncode == 0
    assert done.stderr.count("1 of 1 night has other grades now") == 1
    assert " 4 → 0 " in done.stderr
    assert "few-stars: " in done.stderr
    assert runlog(tmp_path, "regrade").stderr == "Every night is graded by these limits\n"


def test_regrading_without_a_change_says_so(engine):
    """All nights graded again by the same limits: no grade changed, and no table."""
    assert regrade(engine, PLAIN, everything=True) == 1
    said = "of 1 night no grade changed, and no effective hours by more than 3%"
    assert lines_told(engine) == [said]
    assert lines_told(engine) == []


def test_frames_that_change_places_are_told(engine):
    """One frame is kept that was not, one the other way: no count differs, and both are told."""
    now = grades(engine)
    cloudy = next(number for number, grade in now.items() if grade == "reject")
    store_grades(engine, {cloudy: "keep", min(now): "reject"})
    regrade(engine, PLAIN, everything=True)
    said = told(engine)
    assert " 8 40 min 0 1 0 " in said
    assert "1 frame kept now (nothing is held against them any more)" in said
    assert "1 frame rejected now (cloud: " in said
    assert grades(engine) == now


def test_a_mark_made_meanwhile_is_called_a_mark(engine):
    """What a person marks before the table was told is no doing of limits or other nights."""
    with writing(engine) as connection:
        remember(connection)
    mark(engine, min(grades(engine)), "reject")
    assert "1 frame rejected now (marked so)" in told(engine)


def test_hours_alone_are_told_with_their_reason(engine):
    """Another form of depth changes hours and no grade; it is not called the work of nights."""
    extended = Settings(pedestal_adu=500.0, depth_form=DepthForm.EXTENDED)
    f = m.frame.c
    with writing(engine) as connection:  # wider stars in every other frame: forms differ
        in_time = connection.execute(select(f.id).order_by(f.taken_at_utc)).scalars().all()
        wider = update(m.frame).where(f.id.in_(in_time[::2])).values(fwhm_px=f.fwhm_px * 1.08)
        connection.execute(wider)
        touch_all(connection)
    settle_all(engine, PLAIN)
    adopt(engine, extended, None, "tester")
    settle_all(engine, extended)
    said = told(engine)
    assert " 8 40 min 0 1 0 " in said
    assert "hours are reckoned by other references or settings" in said
    assert "one frame" not in said


def mark(engine, number, grade):
    """Mark a frame, as a person does."""
    with reading(engine) as connection:
        key = select(m.frame.c.content_key).where(m.frame.c.id == number)
        named = connection.execute(key).scalar_one()
    mark_settled(engine, PLAIN, [named], grade, None, "tester")


def store_grades(engine, changed):
    """Write other grades than settling does."""
    with writing(engine) as connection:
        for number, grade in changed.items():
            change = update(m.frame).where(m.frame.c.id == number)
            connection.execute(change.values(grade=grade, auto_grade=grade))


class Cut(Exception):
    """A grading that ends in its middle."""


def test_an_upgrade_that_was_cut_off_loses_nothing(tmp_path):
    """Two nights of revision 0008, the grading cut after one: the next command tells both, once."""
    database = tmp_path / "night.sqlite"
    write_run(tmp_path / "frames", 3)
    write_run(tmp_path / "frames", 3, first=288)  # 288 x 300 s: the next evening
    runlog(tmp_path, "scan", tmp_path / "frames")
    change = (
        "UPDATE frame SET grade = 'keep', auto_grade = 'keep' "
        "WHERE id IN (SELECT MIN(id) FROM frame GROUP BY run_id)"
    )
    take_back(database, "0008", (change, []))

    def cut(done, _total):
        if done == 1:
            raise Cut

    with pytest.raises(Cut):
        settle_all(ready(open_engine(str(database))), Settings(), cut)
    assert len(rows_of(database, "run_before")) == 2
    first = runlog(tmp_path, "nights")
    assert "2 of 2 nights have other grades now" in first.stderr
    assert len(re.findall(r"^2026-10-\d\d +1 → 0 +5 min → 0 s", first.stderr, re.M)) == 2
    assert rows_of(database, "run_before") == []
    assert runlog(tmp_path, "nights").stderr == ""


def test_a_long_table_is_kept_beside_the_database(engine, monkeypatch, tmp_path):
    """The newest nights are shown; all of them, with their reasons, are in a file that is named."""
    make_run(tmp_path / "more", frames=4, seed=6, size=(300, 400),
             start_utc=START_UTC + timedelta(days=1))  # fmt: skip
    scan(engine, PLAIN, [os.fsencode(tmp_path / "more")], workers=2)
    monkeypatch.setattr("runlog.actions.changes.MOST_LINES", 1)
    with writing(engine) as connection:
        remember(connection)
        connection.execute(update(m.run_before).values(effective_s=1.0))
    *_, last = lines_told(engine)
    (path,) = tmp_path.glob("copy.changes-*.txt")
    assert last == f"and 1 earlier night; all of them are in {path}"
    nights = [line[:10] for line in path.read_text().splitlines() if line.startswith("20")]
    assert len(nights) == 2
    assert path.stat().st_mode & 0o077 == 0
