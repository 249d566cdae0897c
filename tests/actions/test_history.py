"""A night beside the rig's other nights, on real databases; numbers are drawn, pixels are not."""

import random
from dataclasses import replace
from datetime import date, datetime, timedelta
from math import isclose

import pytest
from sqlalchemy import select

from runlog.actions.changes import Moves, moves_told
from runlog.actions.frames import frame_rows
from runlog.actions.notes import add_note, take_back
from runlog.actions.settle import settle_all
from runlog.config import Settings
from runlog.core.grading.history import Dated, candidates, earlier_of
from runlog.core.grading.summary import Light, RunSummary
from runlog.ingest.task import MEASURE_VERSION
from runlog.store import history, notes
from runlog.store import models as m
from runlog.store.engine import open_engine, reading, writing
from runlog.store.migrate import ready
from runlog.store.runs import Rig, run_id_for
from tests.measured import Night, outcomes, put
from tests.tools import say

GOOD = (Night("2026-10-01"), Night("2026-10-04"))
NOW = datetime(2026, 12, 1, 12).astimezone()
BAD = {
    "out of focus": ({"times": 1.6, "profile": 0.55}, "defocused"),
    "far out of focus": ({"times": 3.0, "profile": 0.45}, "defocused"),
    "poor seeing": ({"times": 1.7}, "soft"),
    "trailed": ({"eccentricity": 0.52, "along_deg": 80.0}, "trailed"),
    "trailed along the rig's own": ({"eccentricity": 0.55}, "trailed"),
    "hazy": ({"light": 0.45}, "cloud"),
}
# No sky and no optics in order make such stars: doubtful before there is any other night.
BY_THEMSELVES = ("far out of focus", "trailed", "trailed along the rig's own")


@pytest.fixture
def engine(tmp_path):
    """Open a new database."""
    opened = ready(open_engine(str(tmp_path / "night.sqlite")))
    yield opened
    opened.dispose()


def graded(engine, *nights):
    """Store nights, grade them, and give the rows of frames by night."""
    for night in nights:
        put(engine, outcomes(night))
    settle_all(engine, Settings())
    return by_night(engine)


def by_night(engine):
    """Give rows of frames, by night."""
    found = {}
    for row in frame_rows(engine):
        found.setdefault(row["night"], []).append(row)
    return found


def not_kept(rows, name):
    """Count the frames that are not kept for a fault that is named first."""
    return sum(row["grade"] != "keep" and row["faults"][:1] == [name] for row in rows)


@pytest.mark.parametrize("what", BAD)
def test_two_good_nights_before_show_a_night_bad_throughout(engine, what):
    """Nineteen of twenty frames are not kept, and the fault has its right name."""
    values, name = BAD[what]
    bad = Night("2026-10-08", frames=20, **values)
    found = graded(engine, *GOOD, bad)
    assert not_kept(found[bad.evening], name) >= 19
    assert all(row["grade"] == "keep" for night in GOOD for row in found[night.evening])
    assert "the last 2 nights'" in " ".join(found[bad.evening][0]["evidence"].values())


@pytest.mark.parametrize("what", BAD)
def test_two_good_nights_after_make_it_doubtful_and_say_so(engine, what):
    """What later nights alone show rejects nothing; the change of the old night is told."""
    values, name = BAD[what]
    bad = Night("2026-09-28", frames=20, **values)
    put(engine, outcomes(bad))
    settle_all(engine, Settings())
    moves = Moves()
    for night in GOOD:
        put(engine, outcomes(night))
    settle_all(engine, Settings(), moves=moves)
    rows = by_night(engine)[bad.evening]
    assert not_kept(rows, name) >= 19
    assert not any(row["grade"] == "reject" for row in rows)
    said = moves_told(engine, moves)
    if what in BY_THEMSELVES:
        assert said == []
        return
    doubtful = sum(row["grade"] == "doubtful" for row in rows)
    start = f"history: {doubtful} frames of the night of 2026-09-28 are doubtful now ({name}: "
    assert [line[: len(start)] for line in said] == [start]
    assert "the next 2 nights'" in said[0]


def test_earlier_nights_reject_what_later_ones_only_doubt(engine):
    """One good night before and two after: the one before it is enough to reject."""
    bad = Night("2026-10-02", times=3.0, profile=0.45)
    rows = graded(engine, *GOOD, Night("2026-10-06"), bad)[bad.evening]
    assert all(row["grade"] == "reject" for row in rows)
    assert "3 nights' (2 of them later)" in " ".join(rows[0]["evidence"].values())


@pytest.mark.parametrize(
    "other",
    [
        {"cards": (("GAIN", 200),)},
        {"cards": (("XBINNING", 2), ("YBINNING", 2))},
        {"cards": (("TELESCOP", "Another 80/400"),)},
        {"filter": "Ha"},
        {"version": MEASURE_VERSION - 1},
        {"frames": 4},
    ],
)
def test_nights_that_do_not_compare_say_nothing(engine, other):
    """Another gain, binning, rig, filter or version of measuring, or four frames, are no norm."""
    good = (Night("2026-10-01", **other), Night("2026-10-04", **other))
    bad = Night("2026-10-08", times=1.7)
    assert all(row["grade"] == "keep" for row in graded(engine, *good, bad)[bad.evening])


def test_what_a_person_rejected_is_no_norm(engine):
    """Marks go into what a night says to others: good nights marked reject speak no more."""
    bad = Night("2026-10-08", times=1.7)
    rows = graded(engine, *GOOD, bad)
    assert rows[bad.evening][0]["grade"] == "doubtful"
    mark(engine, [row for night in GOOD for row in rows[night.evening]], "reject")
    settle_all(engine, Settings())
    assert by_night(engine)[bad.evening][0]["grade"] == "keep"


def mark(engine, rows, grade):
    """Mark frames as a person does."""
    keys = [row["fingerprint"] for row in rows]
    with writing(engine) as connection:
        query = select(m.frame.c.id).where(m.frame.c.content_key.in_(keys))
        ids = list(connection.execute(query).scalars())
        say(connection, ids, grade, "somebody", NOW)


def test_a_note_begins_another_rig(engine):
    """Across a noted change nothing compares, on either side; taken back, all is as before."""
    before, after = Night("2026-09-28", times=1.7), Night("2026-10-08", times=1.7)
    plain = graded(engine, before, *GOOD, after)
    assert {plain[n.evening][0]["grade"] for n in (before, after)} == {"doubtful"}
    for evening, changed in (("2026-10-05", after), ("2026-09-30", before)):
        noted = add_note(engine, Settings(), "collimated", evening, None, "somebody", NOW)
        apart = by_night(engine)
        assert apart[changed.evening][0]["grade"] == "keep"
        assert any(changed.evening in line for line in noted.told)
    take_back(engine, Settings(), None, "somebody", NOW)
    take_back(engine, Settings(), 1, "somebody", NOW)
    assert by_night(engine) == plain


def test_a_remark_changes_nothing(engine):
    """Where nothing was changed on the rig, its nights go on to compare."""
    bad = Night("2026-10-08", times=1.7)
    plain = graded(engine, *GOOD, bad)
    add_note(engine, Settings(), "windy", "2026-10-08", None, "me", NOW, changed=False)
    assert by_night(engine) == plain


def test_a_turned_camera_keeps_only_the_size_of_the_stretch(engine):
    """The optics' own stretch turns with the camera: that is no trail; a longer one still is."""

    def night(evening, angle, **values):
        return Night(evening, cards=(("OBJCTROT", angle),), **values)

    good = [night(d, 0.0, eccentricity=0.42) for d in ("2026-10-01", "2026-10-04")]
    turned = night("2026-10-08", 90.0, eccentricity=0.43, along_deg=120.0)
    trailed = night("2026-10-09", 90.0, eccentricity=0.62, along_deg=120.0)
    found = graded(engine, *good, turned, trailed)
    assert {row["grade"] for row in found[turned.evening]} == {"keep"}
    assert not_kept(found[trailed.evening], "trailed") >= 10


# --- order ------------------------------------------------------------------------------------

EVENINGS = ("2026-09-01", "2026-09-20", "2026-10-01", "2026-10-04", "2026-10-09", "2026-11-20",
            "2027-03-01")  # fmt: skip
KINDS = ({}, {}, {}, {"times": 1.7}, {"times": 1.5, "profile": 0.56}, {"light": 0.45},
         {"eccentricity": 0.53, "along_deg": 70.0}, {"frames": 4}, {"times": 3.2, "profile": 0.44},
         {"own": {2: {"times": 1.6, "profile": 0.55}, 3: {"light": 0.3}}})  # fmt: skip


def drawn(rng):
    """Draw a few nights of all kinds, in two filters."""
    return [
        Night(
            evening, **({"frames": 6, "filter": rng.choice(("L", "L", "Ha"))} | rng.choice(KINDS))
        )
        for evening in rng.sample(EVENINGS, 5)
    ]


def said(engine):
    """Give all that must not depend on any order: frames, sums, summaries, by names."""
    s, r = m.run_summary, m.run.c
    with reading(engine) as connection:
        sums = connection.execute(select(r.night, m.run_sum).join(m.run)).mappings().all()
        found = connection.execute(select(r.night, s).join(m.run)).mappings().all()
    # Effective time is not this test's: it is reckoned from references of its own.
    left_out = {"run_id", "effective_s", "path", "paths"}
    rows = [*frame_rows(engine), *sums, *found]
    plain = [{k: v for k, v in row.items() if k not in left_out} for row in rows]
    return sorted(
        plain, key=lambda row: repr(sorted((k, v) for k, v in row.items() if isinstance(v, str)))
    )


def alike(one, other):
    """Compare values, numbers to 1e-9 of themselves."""
    if isinstance(one, float) and isinstance(other, float):
        return isclose(one, other, rel_tol=1e-9, abs_tol=1e-12)
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(alike(one[k], other[k]) for k in one)
    if isinstance(one, list | tuple) and isinstance(other, list | tuple):
        return len(one) == len(other) and all(map(alike, one, other))
    return one == other


@pytest.mark.parametrize("seed", range(4))
def test_any_order_of_scanning_gives_the_same(tmp_path, seed):
    """Nights at once, or frames in any order with gradings between and some read again: equal."""
    rng = random.Random(seed)
    nights = drawn(rng)
    frames = [outcome for night in nights for outcome in outcomes(night)]
    change = rng.choice(EVENINGS)
    marked = sorted(rng.sample([f.frame.content_key for f in frames], 4))

    once = ready(open_engine(str(tmp_path / "once.sqlite")))
    put(once, frames)
    person_says(once, marked, change)
    settle_all(once, Settings())

    parts = ready(open_engine(str(tmp_path / "parts.sqlite")))
    rng.shuffle(frames)
    cuts = sorted(rng.sample(range(1, len(frames)), 3))
    for begin, end in zip([0, *cuts], [*cuts, len(frames)], strict=True):
        put(parts, frames[begin:end])
        settle_all(parts, Settings())
        put(parts, rng.sample(frames[:end], 3), again=True)
    person_says(parts, marked, change)
    settle_all(parts, Settings())
    put(parts, rng.sample(frames, 5), again=True)
    settle_all(parts, Settings())

    differing = [(a, b) for a, b in zip(said(once), said(parts), strict=True) if not alike(a, b)]
    assert differing == []
    assert len({row["grade"] for row in frame_rows(once)}) > 1
    for engine in (once, parts):
        engine.dispose()


def person_says(engine, keys, change):
    """Mark some frames and note a change of the rig, without grading."""
    mark(engine, [{"fingerprint": key} for key in keys], "reject")
    with writing(engine) as connection:
        notes.append(connection, 1, change, "collimated", "somebody", NOW, changed=True)
        history.touch_around(connection, 1, change)


@pytest.mark.parametrize("seed", range(12))
def test_the_holders_of_a_night_are_those_that_the_law_gives_it_to(engine, seed):
    """Which runs a changed night marks dirty, by the law itself asked for each of them."""
    rng = random.Random(seed)
    evenings = [date(2026, 1, 1) + timedelta(days=d) for d in rng.sample(range(300), 20)]
    known = [Dated(e.isoformat(), summary(rng.choice((4, 5, 9)))) for e in sorted(evenings)]
    change = rng.choice(evenings).isoformat()
    rig = Rig("MonoCam 9", "Ladybird 90/540", 540.0, 3.76)
    with writing(engine) as connection:
        runs = {d.night: run_id_for(connection, rig, d.night) for d in known}
        for night, its in known:
            history.put_summaries(connection, runs[night], [its])
        notes.append(connection, 1, change, "collimated", "somebody", NOW, changed=True)
    with reading(engine) as connection:
        for this in known:
            heard = [d for d in known if d.night != this.night] + [Dated(this.night, summary(5))]
            wanted = {
                runs[d.night]
                for d in known
                if this.night in {c.night for c in candidates(heard, d.night, [change])}
            }
            assert history.holders(connection, 1, this.night, this.summary.group) == wanted


def summary(usable):
    """Make what a run says of which so many frames are usable."""
    return RunSummary("L", "bin 1x1, gain 100", MEASURE_VERSION, 9, usable, 2.4)


def test_the_law_of_candidates():
    """The last eight before by date; of fewer than three, the nearest within 60 nights after."""
    nights = [(date(2026, 1, 1) + timedelta(days=10 * n)).isoformat() for n in range(12)]
    known = [Dated(night, summary(5)) for night in nights]
    chosen = [[nights.index(d.night) for d in candidates(known, night)] for night in nights]
    assert chosen[11] == [3, 4, 5, 6, 7, 8, 9, 10]
    assert chosen[3] == [0, 1, 2]
    assert chosen[0] == [1, 2, 3]
    assert chosen[2] == [0, 1, 3]
    far = [Dated(night, summary(5)) for night in (nights[0], nights[6], nights[7])]
    assert [d.night for d in candidates(far, nights[0])] == [nights[6]], "60 nights, and no more"
    assert [d.night for d in candidates(known, nights[5], [nights[4], nights[7]])] == [
        nights[4], nights[6],
    ], "from the night of a change on the rig is another one"  # fmt: skip
    assert candidates(known, "") == []


def test_usual_is_the_median_and_of_two_the_better():
    """Widths 2, 3 and 5 px: 3; of 2 and 3 px, 2; light, where more is better, the other way."""

    def usual(*widths):
        lights = [(Light("r", 5, w / 10),) for w in widths]
        summaries = (replace(summary(5), fwhm_px=w, lights=own)
                     for w, own in zip(widths, lights, strict=True))  # fmt: skip
        found = earlier_of([Dated(f"2026-01-0{n + 1}", s) for n, s in enumerate(summaries)], "2027")
        return found.fwhm_px, found.lights["r"], found.fwhm_floor_px

    assert usual(2.0, 5.0, 3.0) == (3.0, 0.3, 2.0)
    assert usual(3.0, 2.0) == (2.0, 0.3, 2.0)
    assert usual(3.0) == (3.0, 0.3, 3.0)
