"""What runs were worth before their grades or hours were to change, until that is told."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from sqlalchemy import Connection, delete, exists, insert, select

from runlog.core.frame import Frame, Grade
from runlog.core.ledger.worth import Worth
from runlog.store import models as m
from runlog.store.loading import IN_LISTS
from runlog.store.mine import my_runs
from runlog.store.run_hours import runs_worth
from runlog.store.where import lights


@dataclass(slots=True)
class Standing:
    """What a run holds: grades of its counted lights by number, time kept and its worth."""

    grades: dict[int, Grade] = field(default_factory=dict)
    kept_s: float = 0.0
    effective_s: float | None = None

    def count(self, grade: Grade) -> int:
        """Count the frames of a grade."""
        return sum(own is grade for own in self.grades.values())

    def kept(self) -> frozenset[int]:
        """Give the frames that are kept."""
        return frozenset(i for i, grade in self.grades.items() if grade is Grade.KEEP)


@dataclass(frozen=True, slots=True)
class RunThen:
    """A run as it was and as it is."""

    run_id: int
    night: str
    rig: str
    before: Standing
    now: Standing
    worth: Worth  # of now
    by_one_frame: bool  # the hours of before were measured by a frozen frame, as they once were


def remember(connection: Connection) -> None:
    """Keep what every run is worth now, where that is not kept already."""
    known = set(connection.execute(select(m.run_before.c.run_id)).scalars())
    mine = set(connection.execute(select(m.run.c.id).where(*my_runs(connection))).scalars())
    rows = [
        {
            "run_id": run_id,
            "grades": _by_grade(run.grades),
            "kept_s": run.kept_s,
            "effective_s": run.effective_s,
            "by_one_frame": False,
        }
        for run_id, run in _standing(connection, runs_worth(connection)).items()
        if run_id not in known and run_id in mine
    ]
    if rows:
        connection.execute(insert(m.run_before), rows)


def remembered(connection: Connection) -> bool:
    """Tell whether something is to be told."""
    mine = select(m.run_before).join(m.run).where(*my_runs(connection))
    return bool(connection.execute(select(exists(mine))).scalar())


def forget(connection: Connection) -> None:
    """Drop what was told."""
    connection.execute(delete(m.run_before))


def compared(connection: Connection) -> list[RunThen]:
    """Give each run that is remembered as it was and as it is, by night."""
    b, r, worth = m.run_before.c, m.run.c, runs_worth(connection)
    now = _standing(connection, worth)
    query = (
        select(b.run_id, r.night, m.rig.c.name, b.grades, b.kept_s, b.effective_s, b.by_one_frame)
        .join(m.run, r.id == b.run_id)
        .join(m.rig, m.rig.c.id == r.rig_id)
        .where(*my_runs(connection))
        .order_by(r.night, m.rig.c.name)
    )
    return [
        RunThen(
            run_id,
            night,
            rig,
            Standing(_by_frame(grades), *hours),
            now.get(run_id, Standing()),
            worth.get(run_id, Worth()),
            by_one_frame,
        )
        for run_id, night, rig, grades, *hours, by_one_frame in connection.execute(query)
    ]


def frames_of(connection: Connection, run_id: int) -> list[Frame]:
    """Load a run's frames, in the order of time."""
    query = IN_LISTS.query.where(m.frame.c.run_id == run_id).order_by(*m.IN_TIME)
    return IN_LISTS.load(connection, query)


def _standing(connection: Connection, worth: Mapping[int, Worth]) -> dict[int, Standing]:
    f, found = m.frame.c, dict[int, Standing]()
    query = select(f.run_id, f.id, f.grade, f.exposure_s).where(*lights()).order_by(f.id)
    for run_id, number, grade, exposure_s in connection.execute(query):
        run = found.setdefault(run_id, Standing())
        run.grades[number] = Grade(grade)
        run.kept_s += (exposure_s or 0.0) if grade == Grade.KEEP else 0.0
    for run_id, run in found.items():
        run.effective_s = worth.get(run_id, Worth()).effective_s
    return found


def _by_grade(grades: Mapping[int, Grade]) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for number, grade in grades.items():
        found.setdefault(grade.value, []).append(number)
    return found


def _by_frame(grades: Mapping[str, Collection[int]]) -> dict[int, Grade]:
    return {number: Grade(grade) for grade, numbers in grades.items() for number in numbers}
