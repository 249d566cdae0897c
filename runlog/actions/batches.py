"""Write what was read in small transactions; what cannot be stored costs one file at most."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from datetime import UTC, datetime

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import StatementError

from runlog.actions.writer import Arrival, Arrived, Writer
from runlog.config import Settings
from runlog.core.failures import NOT_STORED, OWN_FAULT, place_of
from runlog.errors import RunlogError, ValueRefusedError
from runlog.ingest.task import MEASURE_VERSION, Outcome
from runlog.store import history
from runlog.store.engine import write
from runlog.store.frames import FileStamp, put_failure
from runlog.store.roots import Roots

Written = list[tuple[Outcome, Arrival]]


class Batches:
    """Puts the outcomes of one scan into the database.

    `again` tells which files are read only to be measured again, `references` are the keys of
    frames among these that others were compared with.
    """

    def __init__(
        self,
        engine: Engine,
        settings: Settings,
        again: Callable[[FileStamp], bool],
        references: Collection[str],
    ) -> None:
        self._engine, self._writer = engine, Writer(settings)
        self._again, self._references = again, references
        self.stamps: dict[bytes, FileStamp] = {}  # of the files handed out to be read

    def write(self, batch: Sequence[Outcome]) -> Written:
        """Write a batch at once; where that fails, file by file, so that one costs no other."""
        if not batch:
            return []
        now = datetime.now(UTC)
        try:
            return write(self._engine, lambda connection: self._put(connection, batch, now))
        except Exception as error:
            if concerns_all(error):
                raise
        return [self._alone(outcome, now) for outcome in batch]

    def _alone(self, outcome: Outcome, now: datetime) -> tuple[Outcome, Arrival]:
        try:
            (written,) = write(self._engine, lambda c: self._put(c, [outcome], now))
            return written
        except Exception as error:
            if concerns_all(error):
                raise
            if outcome.frame is None:  # not even its failure: it is named, and read again
                return outcome, Arrival.FAILED
            failure = Outcome(outcome.path, failure=why_not_stored(error), passing=True)
        return self._alone(failure, now)

    def _put(self, connection: Connection, batch: Sequence[Outcome], now: datetime) -> Written:
        self._place_anew(Roots.load(connection), batch)
        arrived = {
            outcome.path: Arrived(self.stamps[outcome.path], outcome.frame, outcome.header)
            for outcome in batch
            if outcome.frame is not None and outcome.header is not None
        }
        put = self._writer.put(connection, list(arrived.values()), now)
        arrivals = dict(zip(arrived, put, strict=True))
        for key in sorted({file.key for file in arrived.values()} & set(self._references)):
            history.compare_anew(connection, key, MEASURE_VERSION)
        return [(o, self._arrival(connection, o, arrivals.get(o.path), now)) for o in batch]

    def _place_anew(self, roots: Roots, batch: Sequence[Outcome]) -> None:
        """Place files again: another scan may have made their root part of another meanwhile."""
        for stamp in [self.stamps[outcome.path] for outcome in batch]:
            if place := roots.place(stamp.path):
                self.stamps[stamp.path] = replace(stamp, place=place, told=roots.told(place))

    def _arrival(
        self, connection: Connection, outcome: Outcome, put: Arrival | None, now: datetime
    ) -> Arrival:
        stamp = self.stamps[outcome.path]
        again = self._again(stamp)
        if put is not None:
            return Arrival.REMEASURED if again and put is Arrival.REWRITTEN else put
        if not again:  # else the frame keeps its file and its old numbers; next time may do better
            why = outcome.failure or "cannot be read"
            put_failure(connection, stamp, why, now, outcome.passing)
        return Arrival.FAILED


def concerns_all(error: Exception) -> bool:
    """Tell trouble of the whole database (locked, full, read-only) from that of one file."""
    return isinstance(error, RunlogError) and not isinstance(error, ValueRefusedError)


def why_not_stored(error: Exception) -> str:
    """Say why what was read of a file could not be written down."""
    cause = error.orig if isinstance(error, StatementError) else error
    if isinstance(error, ValueRefusedError):
        return f"{NOT_STORED}{error.what[0].lower()}{error.what[1:]}"
    if isinstance(cause, OverflowError):
        return f"{NOT_STORED}a value of its header is out of all range"
    return f"{OWN_FAULT} while it was stored, not through its own fault ({place_of(error)})"
