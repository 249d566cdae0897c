"""Which of a rig's streaks are trails, and whose nights show others than they should."""

from collections.abc import Mapping, Sequence

from sqlalchemy import Connection

from runlog.core.frame import Streak
from runlog.core.grading.recurring_lines import Geometry, Index, Seen, own_lines
from runlog.store.streaks import exposures_of_run, lines_of_rig


class Trails:
    """Tells trails from lines that recur; looks at a rig once in one settling."""

    def __init__(self, changed: Sequence[int] = ()) -> None:
        """Look anew at what hangs on some runs, which show something else than before."""
        self._changed = frozenset(changed)
        self._trails: dict[int, Mapping[str, tuple[Streak, ...]]] = {}
        self._outdated: dict[int, frozenset[int]] = {}

    def of_rig(self, connection: Connection, rig_id: int) -> Mapping[str, tuple[Streak, ...]]:
        """Give the trails of each frame of a rig that was looked at anew, by content key."""
        if rig_id not in self._trails:
            self._look(connection, rig_id)
        return self._trails[rig_id]

    def runs_shown_otherwise(self, connection: Connection, rig_id: int) -> frozenset[int]:
        """Give the runs with a frame that shows other streaks than its trails."""
        self.of_rig(connection, rig_id)
        return self._outdated[rig_id]

    def _look(self, connection: Connection, rig_id: int) -> None:
        frames = lines_of_rig(connection, rig_id) if self._changed else []
        changed = Index(seen for seen, _ in frames if seen.run_id in self._changed)
        doubted = [(seen, stored) for seen, stored in frames if self._doubts(seen, stored, changed)]
        index = Index(seen for seen, _ in frames)
        exposures = _Exposures(connection)
        own = own_lines([seen for seen, _ in doubted], exposures.of, index)
        trails = {key: tuple([Streak(*ends) for ends in lines]) for key, lines in own.items()}
        self._trails[rig_id] = trails
        self._outdated[rig_id] = frozenset(
            seen.run_id for seen, stored in doubted if trails[seen.key] != stored
        )

    def _doubts(self, seen: Seen, stored: Sequence[Streak], changed: Index) -> bool:
        """Tell whether a change of some runs may make another thing of a frame's lines.

        Lines that are there now, or of which there are fewer exposures now, can only concern what
        lies over them; lines that are gone, what was held to recur.
        """
        if seen.run_id in self._changed or len(stored) != len(seen.lines):
            return True
        return any(changed.others(seen, line) for line in seen.lines)


class _Exposures:
    """Counts the exposures of runs, each when it is first asked for."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._of_run: dict[int, Mapping[Geometry, int]] = {}

    def of(self, run_id: int, geometry: Geometry) -> int:
        """Count the exposures of a run whose lines are known, of one size and binning."""
        if run_id not in self._of_run:
            self._of_run[run_id] = exposures_of_run(self._connection, run_id)
        return self._of_run[run_id].get(geometry, 0)
