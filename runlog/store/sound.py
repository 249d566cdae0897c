"""Is an SQLite file sound enough to be written into? Asked once, before the first write.

To write into a damaged file can do more damage, and a command that meets it half way has stored
some of what it was asked, and not the rest. A small file is looked at whole, which takes about a
thousandth of a second for each MB; of a large one the tables that hold what a person said, nights
and sums are, and not those with rows of pixels and headers for every frame: to read all of them
would take longer than most commands.
"""

from sqlalchemy import Connection

from runlog.errors import DamagedError
from runlog.store.trouble import DAMAGED, where

WHOLE_BYTES = 16_000_000  # up to this, all of it
LARGE = frozenset(("frame", "header", "star_list", "preview", "file"))  # a row or more a frame
LOOKED_AT = "runlog_sound"


def refuse_unsound(connection: Connection) -> None:
    """Raise DamagedError where SQLite finds damage; asked of each connection once."""
    if connection.info.get(LOOKED_AT):
        return
    for pragma in _questions(connection):
        if connection.exec_driver_sql(pragma).scalar() != "ok":
            raise DamagedError(DAMAGED[0], where(connection.engine), DAMAGED[1])
    connection.info[LOOKED_AT] = True


def _questions(connection: Connection) -> list[str]:
    """List what to ask SQLite."""
    pages, size = (connection.exec_driver_sql(f"PRAGMA {name}").scalar_one()
                   for name in ("page_count", "page_size"))  # fmt: skip
    if pages * size <= WHOLE_BYTES:
        return ["PRAGMA quick_check(1)"]
    query = "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
    tables = connection.exec_driver_sql(query).scalars().all()
    return [f'PRAGMA quick_check("{name}")' for name in tables if name not in LARGE]
