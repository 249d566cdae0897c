"""The copy made before tables are brought up to date stays exactly when they were."""

import pytest

from runlog.store.backup import backed_up
from runlog.store.engine import open_engine, writing
from runlog.store.migrate import known_revisions, ready, upgrade

from .earlier import take_back

EARLIER = known_revisions()[-2]


@pytest.mark.parametrize("committed", [True, False])
def test_ctrl_c_around_the_commit(tmp_path, committed):
    """Ctrl-C just after the commit leaves the copy; before it nothing was changed, and no copy."""
    database = tmp_path / "night.sqlite"
    ready(open_engine(str(database))).dispose()
    take_back(database, EARLIER)
    engine = open_engine(str(database))
    with pytest.raises(KeyboardInterrupt), backed_up(engine, EARLIER):
        with writing(engine) as connection:
            upgrade(connection)
            if not committed:
                raise KeyboardInterrupt
        raise KeyboardInterrupt
    engine.dispose()
    copies = list(tmp_path.glob(f"night.{EARLIER}-*Z.sqlite"))
    assert len(copies) == int(committed)
