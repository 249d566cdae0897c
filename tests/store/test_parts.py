"""Long lists are asked for in parts: a database takes only so many values at once."""

from runlog.actions.open import open_store
from runlog.config import Settings
from runlog.store.engine import writing
from runlog.store.parts import in_parts
from runlog.store.runs import touch_frames

MORE_THAN_ANY = 260_000  # SQLite's own limit is 32,766 values; builds go up to 250,000


def test_all_values_come_once_and_in_order():
    """Guards the cuts: whole parts, the rest, and nothing of nothing."""
    assert list(in_parts(range(7), 3)) == [[0, 1, 2], [3, 4, 5], [6]]
    assert list(in_parts((), 3)) == []


def test_more_frames_are_marked_dirty_than_a_statement_takes(tmp_path):
    """Guards a mark or a proposal over a whole archive."""
    engine = open_store(str(tmp_path / "night.sqlite"), Settings())
    with writing(engine) as connection:
        touch_frames(connection, range(MORE_THAN_ANY))
    engine.dispose()
