"""Know a root again by its files, wherever it lies on this machine."""

import os
from collections.abc import Callable

from sqlalchemy import Connection, Engine

from runlog.errors import StoreError
from runlog.ingest.discover import same_time
from runlog.store import roots as store
from runlog.store import roots_files
from runlog.store.engine import reading, write
from runlog.store.mine import may_write
from runlog.store.roots import Roots

Tell = Callable[[str], None]


def holds(connection: Connection, root_id: int, folder: bytes) -> bool:
    """Tell whether a folder is a root: half the files by which it is known are there, unchanged.

    Two disks hold files of the same name and size, but none written at the same moment.
    """
    known = roots_files.sample(connection, root_id)
    there = sum(_is_there(folder, file) for file in known)
    return there > 0 and 2 * there >= len(known)


def _is_there(folder: bytes, file: roots_files.Sampled) -> bool:
    try:
        status = os.stat(store.below(folder, file.path))
    except OSError:
        return False
    return status.st_size == file.size and same_time(status.st_mtime_ns, file.mtime_ns)


def know_again(engine: Engine, tell: Tell) -> None:
    """Find roots that this machine does not have where other machines have them.

    So a machine with the same paths, or one whose host name changed, needs no word from a person.
    """
    with reading(engine) as connection:
        if not may_write(connection):
            return
        found = {
            root_id: folder
            for root_id, folders in roots_files.not_here(connection).items()
            for folder in sorted(folders)
            if os.path.isdir(folder) and holds(connection, root_id, folder)
        }
        names = {root.id: root.name for root in Roots.load(connection).all}
    if not found:
        return

    def note(connection: Connection) -> None:
        for root_id, folder in found.items():
            store.put_mount(connection, root_id, folder)

    for root_id, folder in found.items():
        tell(f"{names[root_id]} is on this machine too: {os.fsdecode(folder)}")
    try:
        write(engine, note)
    except StoreError as error:
        tell(f"This could not be noted: {error}")
