"""Reading files one by one as they arrive, by one worker that is kept, and storing them."""

from collections.abc import Iterable, Iterator, Sequence

from sqlalchemy import Engine

from runlog.actions.batches import Batches
from runlog.actions.scan import is_same
from runlog.actions.writer import Arrival
from runlog.config import Settings
from runlog.ingest.discover import EMPTY, FoundFile, is_gone
from runlog.ingest.kept import Worker
from runlog.ingest.lookout import Look
from runlog.ingest.task import KnownPixels, Outcome, Task
from runlog.store import files as file_store
from runlog.store.engine import reading
from runlog.store.files import KnownFile, PixelIndex
from runlog.store.frames import path_parts, stamp_of
from runlog.store.roots import Roots, is_below


class Arrivals:
    """What is known of the files under some folders, and those that come."""

    def __init__(self, engine: Engine, settings: Settings, worker: Worker) -> None:
        self._engine, self._settings, self._worker = engine, settings, worker
        self._batches = Batches(engine, settings, lambda _: False, ())
        self.renew()

    def renew(self) -> None:
        """Load what the database knows now."""
        with reading(self._engine) as connection:
            self._roots = Roots.load(connection)
            self._known: dict[bytes, KnownFile | FoundFile] = {
                **file_store.known_files(connection, self._roots)
            }
            self._pixels: PixelIndex = file_store.known_pixels(connection)
        self._missing = {
            p for p, k in self._known.items() if isinstance(k, KnownFile) and k.missing
        }
        self._of_folder: dict[bytes, set[bytes]] = {}
        for path in self._known.keys() - self._missing:
            self._of_folder.setdefault(_folder(path), set()).add(path)

    def news(self, look: Look) -> list[FoundFile]:
        """List what a look found new or changed."""
        return [found for found in look.files.values() if self._is_news(found)]

    def _is_news(self, found: FoundFile) -> bool:
        known = self._known.get(found.path)
        return known is None or found.path in self._missing or not is_same(known, found)

    def away(self, look: Look) -> dict[bytes, str]:
        """Tell which folders are away and why: not readable, or empty where files are known."""
        empty = [root for root in look.empty if self._is_all_gone(root)]
        return look.away | dict.fromkeys(empty, EMPTY)

    def _is_all_gone(self, folder: bytes) -> bool:
        """Tell of an empty folder whether all known files of its root lay in it, and some did."""
        root = self._roots.over(folder)
        held = [at for at, paths in self._of_folder.items() if paths and is_below(at, folder)]
        of_root = (at for at in self._of_folder if root and is_below(at, root.folder))
        return bool(held) and all(is_below(at, folder) for at in of_root)

    def gone(self, look: Look) -> list[bytes]:
        """List the known files that a look did not find in the folders it listed, or that went.

        Those below a folder that is away are not gone.
        """
        away = self.away(look)
        listed = {f for f in look.listed if not any(is_below(f, root) for root in away)}
        known = (path for folder in listed for path in self._of_folder.get(folder, ()))
        found = [path for path in known if path not in look.files]
        if look.whole and not away:
            unseen = self._of_folder.keys() - look.listed
            went = [folder for folder in unseen if self._of_folder[folder] and is_gone(folder)]
            found += [path for folder in went for path in self._of_folder[folder]]
        return found

    def read(self, found: FoundFile) -> Outcome:
        """Read and measure a file."""
        stamp = stamp_of(self._roots, found.path, found.size, found.mtime_ns)
        self._batches.stamps[found.path] = stamp
        pixels = self._pixels.get((found.size, found.mtime_ns), ())
        known = tuple(KnownPixels(*entry) for entry in pixels)
        settings = self._settings
        parts = path_parts(stamp.told)
        return self._worker.read(
            Task(found.path, parts, settings.rules, known, limits=settings.limits)
        )

    def store(self, read: Sequence[tuple[FoundFile, Outcome]]) -> Iterator[tuple[Outcome, Arrival]]:
        """Store what was read; from then on these files are known as they are."""
        written = self._batches.write([outcome for _, outcome in read])
        for (found, outcome), (_, arrival) in zip(read, written, strict=True):
            self._keep(found, outcome)
            yield outcome, arrival

    def _keep(self, found: FoundFile, outcome: Outcome) -> None:
        self._batches.stamps.pop(found.path, None)
        self._known[found.path] = found
        self._missing.discard(found.path)
        self._of_folder.setdefault(_folder(found.path), set()).add(found.path)
        if outcome.frame is not None:
            done = outcome.frame.measurement
            entry = outcome.frame.content_key, done.measured, done.level is not None
            entries = self._pixels.setdefault((found.size, found.mtime_ns), [])
            if entry[0] not in {known[0] for known in entries}:
                entries.append(entry)

    def forget(self, paths: Iterable[bytes]) -> None:
        """Forget files that are gone; where they come back they are looked at anew."""
        for path in paths:
            self._missing.add(path)
            self._of_folder.get(_folder(path), set()).discard(path)


def _folder(path: bytes) -> bytes:
    return path.rpartition(b"/")[0] or b"/"
