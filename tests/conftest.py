"""What every test may ask for."""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, settings
from sqlalchemy import make_url

from tests.tools import DATABASE_VARIABLE

if TYPE_CHECKING:
    from tests.servers import Server

for name in ("COLUMNS", "LINES"):  # xdist tells its workers a width; commands would keep to it
    os.environ.pop(name, None)

# What hypothesis draws is right or wrong however busy the machine is.
settings.register_profile("busy", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("busy")

KINDS = ("sqlite", "postgresql")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Run what is marked so on both kinds of database; all other tests run on SQLite."""
    both = metafunc.definition.get_closest_marker("both_databases")
    own = any(m.args[0] == "database" for m in metafunc.definition.iter_markers("parametrize"))
    if both is not None and not own and "database" in metafunc.fixturenames:
        metafunc.parametrize("database", KINDS, indirect=True)


@pytest.fixture(scope="session", autouse=True)
def _tables_made_once() -> Iterator[None]:
    """Give new SQLite databases their tables without migrating each: `tests/tables.py`."""
    from runlog.store import migrate
    from tests import tables

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(migrate, "upgrade", tables.upgrade)
        yield


@pytest.fixture(scope="session")
def server() -> Iterator["Server"]:
    """Start PostgreSQL once for all tests of this process; skips where it is not installed."""
    pytest.importorskip("psycopg", reason="no driver for PostgreSQL is installed here")
    from tests.servers import running_server

    with running_server() as started:
        yield started


@pytest.fixture(scope="session")
def migrated(server: "Server") -> Iterator[str]:
    """Make one database with all tables, to be copied: quicker than migrating for each test."""
    from runlog.store.engine import open_engine
    from runlog.store.migrate import ready

    with server.database() as url:
        ready(open_engine(url)).dispose()
        yield str(make_url(url).database)


@pytest.fixture
def empty_database(server: "Server") -> Iterator[str]:
    """Give the address of a database on a server that has no tables yet."""
    with server.database() as url:
        yield url


@pytest.fixture
def database(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Path | str]:
    """Name a database: a file that does not exist yet, or one of a server (`both_databases`)."""
    if getattr(request, "param", "sqlite") == "sqlite":
        yield tmp_path / "night.sqlite"
        return
    template = request.getfixturevalue("migrated")
    with request.getfixturevalue("server").database(template) as url:
        monkeypatch.setenv(DATABASE_VARIABLE, url)  # for the command line, see tests/tools.py
        yield url


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    """Make an empty folder for frames."""
    folder = tmp_path / "frames"
    folder.mkdir()
    return folder
