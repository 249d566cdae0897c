"""Which of a rig's streaks are trails, and whose nights show others than they should."""

from collections.abc import Mapping

from sqlalchemy import Connection

from runlog.core.frame import Streak
from runlog.core.grading.recurring_lines import own_lines
from runlog.store.streaks import exposures_of_rig, lines_of_rig


class Trails:
    """Tells trails from lines that recur; looks at a rig once in one settling."""

    def __init__(self) -> None:
        self._trails: dict[int, Mapping[str, tuple[Streak, ...]]] = {}
        self._outdated: dict[int, frozenset[int]] = {}

    def of_rig(self, connection: Connection, rig_id: int) -> Mapping[str, tuple[Streak, ...]]:
        """Give the trails of each frame of a rig that has lines, by content key."""
        if rig_id not in self._trails:
            self._look(connection, rig_id)
        return self._trails[rig_id]

    def runs_shown_otherwise(self, connection: Connection, rig_id: int) -> frozenset[int]:
        """Give the runs with a frame that shows other streaks than its trails."""
        self.of_rig(connection, rig_id)
        return self._outdated[rig_id]

    def _look(self, connection: Connection, rig_id: int) -> None:
        frames = lines_of_rig(connection, rig_id)
        exposures = exposures_of_rig(connection, rig_id) if frames else {}
        own = own_lines([seen for seen, _ in frames], exposures)
        trails = {key: tuple([Streak(*ends) for ends in lines]) for key, lines in own.items()}
        self._trails[rig_id] = trails
        self._outdated[rig_id] = frozenset(
            seen.run_id for seen, stored in frames if trails[seen.key] != stored
        )
