"""The same on PostgreSQL: databases of a server that is restarted at once, as after a crash."""

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import JSON, Connection, MetaData, create_engine, insert, select, text

from runlog.store.engine import open_engine, writing
from runlog.store.migrate import known_revisions, upgrade
from tests.interruptions.cases import Case
from tests.interruptions.cases import cases as cases_on_files
from tests.interruptions.world import DATABASE, NOTHING, World
from tests.servers import USER, Server, as_owner, program, running_server

STRUCK = ("scan", "mark")
MIGRATED = ("0001", "0006", "0010")  # the last two before tables were made anew


def cases(world: World) -> Iterator[Case]:
    """Give the commands that are struck on a server."""
    migrations = {f"migration from {revision}" for revision in MIGRATED}
    return (case for case in cases_on_files(world) if case.name in {*STRUCK, *migrations})


def restart(server: Server) -> None:
    """Restart the server without letting it finish anything, and wait until it is back."""
    control(server, "restart", "-m", "immediate", "-w", "-l", str(server.folder / "restarted.log"))


def control(server: Server, *words: str) -> None:
    """Run the server's own control program."""
    found = program("pg_ctl")
    assert found is not None, "pg_ctl is not installed"
    line = as_owner(found, "-D", str(server.folder / "data"), *words)
    null = subprocess.DEVNULL
    subprocess.run(line, check=True, cwd=server.folder, stdin=null, stdout=null, stderr=null)


@contextmanager
def struck_server() -> Iterator[Server]:
    """Start a server whose commits wait for the disk, as a person's do."""
    with running_server() as server:
        server.run(f"ALTER ROLE {USER} SET synchronous_commit = on")
        try:
            yield server
        finally:
            control(server, "stop", "-m", "immediate")  # a restarted one is not the keeper's


@dataclass(slots=True)
class ServerWorld(World):
    """A world whose databases are a server's; what they start from is made in files first."""

    server: Server | None = None
    made: set[str] = field(default_factory=set)

    def database(self, home: Path) -> str:
        """Name the database of a home by the home's name."""
        assert self.server is not None
        return self.server.url(home.name)

    def has_tables(self, home: Path) -> bool:
        """Tell whether a migration of this home's database was ever committed."""
        engine = create_engine(self.database(home))
        try:
            with engine.connect() as connection:
                query = text("SELECT to_regclass('alembic_version') IS NOT NULL")
                return bool(connection.execute(query).scalar_one())
        finally:
            engine.dispose()

    def restart(self) -> None:
        """Restart the server without letting it finish anything."""
        assert self.server is not None
        restart(self.server)

    def home(self, template: str, name: str) -> Path:
        """Make a home, and a database of its name."""
        home = self.base / "homes" / name
        World.home(self, NOTHING, name)
        self._make_anew(name, self._started_from(template))
        return home

    def copied(self, home: Path) -> Path:
        """Copy a home and its database, once nobody is in it."""
        copy = World.copied(self, home)
        self._make_anew(copy.name, home.name)
        return copy

    def _make_anew(self, name: str, template: str) -> None:
        assert self.server is not None
        self._alone_in(template)
        self.server.run(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
        self.server.run(f"CREATE DATABASE {name} TEMPLATE {template}")

    def _alone_in(self, name: str) -> None:
        """End what still serves a client that was killed: it would keep the database busy."""
        assert self.server is not None
        others = f"FROM pg_stat_activity WHERE datname = '{name}'"
        self.server.run(f"SELECT pg_terminate_backend(pid, 5000) {others}")

    def _started_from(self, template: str) -> str:
        assert self.server is not None
        name = f"t_{template.replace(' ', '_')}"
        if name not in self.made:
            self.server.run(f"CREATE DATABASE {name}")
            self.made.add(name)
            if template != NOTHING:
                revision = template if template.isdigit() else known_revisions()[-1]
                file = self.template(template) / DATABASE
                carry_over(file, self.server.url(name), revision)
        return name


def carry_over(file: Path, address: str, revision: str) -> None:
    """Copy all rows of a database file to a server, into the tables of a revision."""
    old, new = create_engine(f"sqlite:///{file}"), open_engine(address)
    with old.connect() as source, writing(new) as connection:
        upgrade(connection, revision)
        here, there = MetaData(), MetaData()
        here.reflect(source)
        there.reflect(connection)
        for table in there.sorted_tables:
            if table.name == "alembic_version":
                continue
            for column in table.c:
                if isinstance(column.type, JSON):
                    column.type = JSON(none_as_null=True)  # nothing is no word of JSON
            rows = [dict(row) for row in source.execute(select(here.tables[table.name])).mappings()]
            if rows:
                connection.execute(insert(table), rows)
            if "id" in table.c:
                _count_on(connection, table.name)
    old.dispose()
    new.dispose()


def _count_on(connection: Connection, table: str) -> None:
    """Let new rows be numbered after those that were copied."""
    last = f"(SELECT coalesce(max(id), 1) FROM {table})"  # nosec B608
    connection.exec_driver_sql(f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), {last})")
