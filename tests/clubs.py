"""A database that several logins share, on the tests' own server."""

import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any

import psycopg

from tests.servers import Server
from tests.tools import here, runlog_json


@dataclass(frozen=True)
class Club:
    """A database, and logins that know it: `keeper` owns it, the others are let in by tests."""

    server: Server
    name: str
    mark: str  # behind the names of its logins, which all databases of a server share

    def login(self, who: str) -> str:
        """Give a login's whole name."""
        return f"{who}_{self.mark}"

    def url(self, who: str) -> str:
        """Give the address of the database for a login."""
        return f"postgresql+psycopg://{self.login(who)}@/{self.name}?host={self.server.folder}"

    def sql(self, who: str) -> "psycopg.Connection[tuple[Any, ...]]":
        """Connect as a login, past the program; every statement stands by itself."""
        where = {"host": str(self.server.folder), "dbname": self.name, "user": self.login(who)}
        return psycopg.connect(**where, autocommit=True)

    def runs(self, home: Path, who: str, *words: Any) -> "CompletedProcess[str]":
        """Run a command as a login, on a machine of its own."""
        env = {"RUNLOG_DB": self.url(who), "RUNLOG_MACHINE": f"{who}'s machine"}
        return here(home, *words, env=env)

    def does(self, home: Path, who: str, *words: Any) -> str:
        """Run a command that must do what it is asked; gives what it says to the person."""
        done = self.runs(home, who, *words)
        assert done.returncode == 0, (words, done.stderr)
        return done.stderr

    def json(self, home: Path, who: str, *words: Any) -> Any:
        """Run a listing as a login and read it."""
        from unittest import mock

        with mock.patch.dict("os.environ", {"TEST_DATABASE": self.url(who)}):
            return runlog_json(home, *words)


@contextmanager
def copied(made: Club) -> Iterator[Club]:
    """Copy a database with all that is stored and allowed in it, for the same logins."""
    copy = replace(made, name=_fresh_name())
    # Nobody may be at what is copied.
    made.server.run(
        f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{made.name}'"
    )
    owner = made.login("keeper")
    made.server.run(f"CREATE DATABASE {copy.name} TEMPLATE {made.name} OWNER {owner}")
    try:
        yield copy
    finally:
        made.server.run(f"DROP DATABASE {copy.name} WITH (FORCE)")


def _fresh_name() -> str:
    return f"club_{secrets.token_hex(4)}"


@contextmanager
def club(server: Server, logins: Sequence[str]) -> Iterator[Club]:
    """Make logins and an empty database that `keeper` owns; all are gone afterwards."""
    made = Club(server, _fresh_name(), secrets.token_hex(3))
    for who in ("keeper", *logins):
        server.run(f"CREATE ROLE {made.login(who)} LOGIN")
    server.run(f"CREATE DATABASE {made.name} OWNER {made.login('keeper')}")
    try:
        yield made
    finally:
        server.run(f"DROP DATABASE {made.name} WITH (FORCE)")
        for who in ("keeper", *logins):
            server.run(f"DROP ROLE IF EXISTS {made.login(who)}")
