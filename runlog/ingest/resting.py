"""Which files rest: nobody writes to them any more, as far as looking at them can tell."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from runlog.ingest.complete import Extent, extent_of
from runlog.ingest.discover import FoundFile

LOOKS = 2  # alike in a row after the first one
PATIENCE_S = 60.0  # so long a file that is not whole is given before it is read as it is


@dataclass(slots=True)
class _Sighting:
    """A file as it was seen last."""

    found: FoundFile
    since_s: float  # how long it has looked like this
    alike: int = 0
    at_s: float = 0.0
    put_off: bool = False  # it could not be read: what is whole to look at may not be


class Resting:
    """Files that are new or changed, each until it rests.

    A file rests when size and time of change were the same in two more looks, `quiet_s` apart,
    and it is as long as its header says; one that stays short rests after `PATIENCE_S`.
    """

    def __init__(self, quiet_s: float, extent: Callable[[bytes], Extent] = extent_of) -> None:
        self._quiet_s, self._extent = quiet_s, extent
        self._seen: dict[bytes, _Sighting] = {}

    @property
    def waiting(self) -> list[bytes]:
        """The files that do not rest yet."""
        return list(self._seen)

    def see(self, looked_at: Iterable[FoundFile], at_s: float) -> list[FoundFile]:
        """Take in what a look found, at a moment of a clock; returns the files that rest now."""
        for found in looked_at:
            self._take_in(found, at_s)
        resting = [s.found for s in self._seen.values() if self._rests(s, at_s)]
        for found in resting:
            del self._seen[found.path]
        return resting

    def forget(self, paths: Iterable[bytes]) -> None:
        """Forget files that are gone."""
        for path in paths:
            self._seen.pop(path, None)

    def put_off(self, found: FoundFile, at_s: float) -> None:
        """Keep a file that could not be read: it may be half written, though it looks whole."""
        self._seen[found.path] = _Sighting(found, at_s, at_s=at_s, put_off=True)

    def _take_in(self, found: FoundFile, at_s: float) -> None:
        before = self._seen.get(found.path)
        if before is None or before.found != found:
            self._seen[found.path] = _Sighting(found, at_s, at_s=at_s)
        elif at_s - before.at_s >= self._quiet_s:
            before.alike, before.at_s = before.alike + 1, at_s

    def _rests(self, seen: _Sighting, at_s: float) -> bool:
        if seen.alike < LOOKS:
            return False
        if at_s - seen.since_s >= PATIENCE_S:
            return True
        whole = Extent.WHOLE, Extent.UNKNOWN
        return not seen.put_off and self._extent(seen.found.path) in whole
