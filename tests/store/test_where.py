"""A selection as SQL means on every database what it means in a loop over all frames."""

import os
from datetime import timedelta
from random import Random

import pytest

from runlog.actions.nights import night_rows
from runlog.actions.totals import total_rows
from runlog.config import Settings
from runlog.core.selection import Selection, Term
from runlog.store.choose import list_frames
from runlog.store.engine import open_engine, reading
from runlog.store.migrate import ready
from tests.actions.test_selecting import fill, seconds
from tests.archives import BEGIN, Shot

SHOTS = [
    Shot(1, 6 * n, 120.0, target, target.replace(" ", ""), "Ha", "Ha", "LIGHT")
    for n, target in enumerate(["M 31", "NGC 7000", "NGC 7000 panel 2", "M 33"] * 3)
]
NGC_7000 = ("NGC 7000", "NGC 7000 panel 2")
CASES = {
    Selection(target="NGC 7000"): lambda f: f.context.target in NGC_7000,
    Selection(target="NGC 7000", grade="keep"): lambda f: (
        f.context.target in NGC_7000 and f.judgement.grade == "keep"
    ),
    Selection(fault="cloud"): lambda f: "cloud" in [fault.name for fault in f.judgement.faults],
    Selection(until="2026-03-01"): lambda f: f.context.night <= "2026-03-01",
    Selection(pattern="00[01]*_0.fits"): lambda f: (
        f.header.taken_at_utc < BEGIN + timedelta(minutes=200)
    ),
    Selection(folder=os.fsencode("/archive/1/")): lambda f: True,
    Selection(frame_ids=tuple(range(3))): lambda f: f.identity.id < 3,
    Selection(terms=(Term("clock", number=18 * 3600, until=20 * 3600),)): lambda f: (
        f.header.taken_at_utc.hour in (18, 19)
        or f.header.taken_at_utc.strftime("%H%M%S") == "200000"
    ),
    Selection(terms=(Term("fault", "cloud", negated=True),)): lambda f: (
        "cloud" not in [fault.name for fault in f.judgement.faults]
    ),
}


@pytest.mark.both_databases
def test_conditions(database):
    """Frames, totals and nights hold what the conditions say, in plain numbers."""
    engine = ready(open_engine(str(database)))
    frames = fill(engine, SHOTS, Random(1))
    for selection, fits in CASES.items():
        wanted = [f for f in frames if fits(f)]
        with reading(engine) as connection:
            found = list_frames(connection, selection)
        assert [f.key for f in found] == [f.key for f in wanted], selection
        totals = total_rows(engine, Settings(), selection)
        assert sum(row["logged_s"] for row in totals) == pytest.approx(seconds(wanted))
        counts = [row["frames"] for row in (*totals, *night_rows(engine, selection))]
        assert sum(counts) == 2 * len(wanted)
        assert {type(count) for count in counts} <= {int}
    engine.dispose()
