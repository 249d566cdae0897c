"""Tell where effective hours became others though the same frames are kept."""

from sqlalchemy import Connection

from runlog.actions.changes import Moves
from runlog.core.ledger.restated import Held, Restated, restated
from runlog.core.ledger.run_says import (
    Group,
    Moved,
    Nights,
    Pair,
    Runs,
    RunSays,
    groups_changed,
    groups_of,
    moved,
    pairs_changed,
    parts_of,
)
from runlog.core.ledger.worth import worth_of
from runlog.store import run_says as store
from runlog.store.runs import RunState


class Restating(Moves):
    """Keeps as well what runs said of hours before they were settled anew, and what they said then.

    What another program settles meanwhile, before or afterwards, is that one's to tell.
    """

    def __init__(self) -> None:
        super().__init__()
        self._looked: dict[int, RunSays] = {}  # at runs that are not written yet
        self._said: dict[int, RunSays] = {}
        self._says: dict[int, RunSays] = {}

    def look(self, connection: Connection, run: RunState) -> None:
        """Look at a run that is to be settled."""
        self._looked |= store.of_runs(connection, [run.id])

    def wrote(self, connection: Connection, run: RunState) -> None:
        """Look at it when it is; what it said first is what it said before."""
        self._said.setdefault(run.id, self._looked[run.id])
        self._says |= store.of_runs(connection, [run.id])

    def restated(self, connection: Connection) -> list[Restated]:
        """List the targets and filters whose hours of before are others now, by more than 3 %."""
        return restatements(connection, self._said, self._says)


def restatements(connection: Connection, before: Runs, now: Runs) -> list[Restated]:
    """Tell what became of hours when some runs said something else than before.

    What these say, and the nights of the references that rest on it, tell which hours may have
    changed by so much; only those are reckoned. Others are not looked at, however many there are:
    they say on both sides what they say today.
    """
    groups = groups_changed(before, now)
    changed = moved(_nights(connection, groups, now), before)
    pairs = pairs_changed(before, now)
    if changed.is_far:
        pairs |= {
            (target, name)
            for rig_id, target, name, base in store.divided_by(connection, groups)
            if changed.may_tell(rig_id, name, base)
        }
    return _reckoned(connection, before, now, pairs) if pairs else []


def _nights(connection: Connection, groups: set[Group], now: Runs) -> Nights:
    """Load what the night of every run would be as one of some references; of some, as told."""
    others = store.nights_of(connection, groups)
    return {
        group: [one for one in said if one[0] not in now]
        + [(number, night) for number, run in now.items() for night in run.nights.get(group, ())]
        for group, said in others.items()
    }


def _reckoned(connection: Connection, before: Runs, now: Runs, pairs: set[Pair]) -> list[Restated]:
    today = {**store.of_pairs(connection, pairs), **now}
    then = dict(sorted({**today, **before}.items()))
    groups = {group for runs in (then, today) for group in groups_of(parts_of(runs, pairs))}
    used = moved(_nights(connection, groups, now), before)
    found = (restated(*pair, _held(pair, then, today, used)) for pair in sorted(pairs))
    return [one for one in found if one is not None]


def _held(pair: Pair, then: Runs, now: Runs, used: Moved) -> list[Held]:
    """Compare what each run that keeps as much as before was worth and is worth."""
    before, today = used.references()
    return [
        Held(
            worth_of(old.parts.get(pair, ()), before, {}),
            worth_of(own.parts.get(pair, ()), today, {}),
        )
        for number, old in then.items()
        if (own := now.get(number)) is not None
        and pair in old.kept_s
        and own.kept_s.get(pair) == old.kept_s[pair]
    ]
