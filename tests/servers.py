"""A real PostgreSQL for the tests: a server of our own in a folder of its own, gone with them."""

import os
import secrets
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psycopg
import pytest

DEBIAN = Path("/usr/lib/postgresql")
USER = "runlog"  # of the server, who may do anything there
OWNER = "postgres"  # of the processes, where we are root: the server refuses to run as root
STARTING_S = 30.0
# Ends the server when its standard input does: with us, however we end.
KEEPER = '"$@" & server=$!; read -r _; kill -INT $server; wait $server'


@dataclass(frozen=True, slots=True)
class Server:
    """A running server, reached through a socket in its folder."""

    folder: Path

    def url(self, name: str) -> str:
        """Give the address of one of its databases, as a person would write it."""
        return f"postgresql+psycopg://{USER}@/{name}?host={self.folder}"

    def _connect(self) -> "psycopg.Connection[tuple[object, ...]]":
        where = {"host": str(self.folder), "user": USER, "dbname": "postgres"}
        return psycopg.connect(**where, autocommit=True, connect_timeout=5)

    def run(self, statement: str) -> None:
        """Run one statement outside the tests' databases."""
        with self._connect() as connection:
            connection.execute(statement)

    def ready(self) -> bool:
        """Tell whether it lets anyone in yet."""
        try:
            self._connect().close()
        except psycopg.OperationalError:
            return False
        return True

    @contextmanager
    def database(self, template: str = "template1") -> Iterator[str]:
        """Make a database, give its address, and drop it whoever still holds it."""
        name = f"test_{secrets.token_hex(6)}"
        self.run(f"CREATE DATABASE {name} TEMPLATE {template}")
        try:
            yield self.url(name)
        finally:
            self.run(f"DROP DATABASE {name} WITH (FORCE)")


def program(name: str) -> str | None:
    """Find a program of the server: on the path, else the newest where Debian keeps it."""
    if found := shutil.which(name):
        return found
    places = sorted(DEBIAN.glob(f"[0-9]*/bin/{name}"), key=lambda path: int(path.parts[-3]))
    return str(places[-1]) if places else None


def as_owner(*words: str) -> list[str]:
    """Give the command line that runs a program as somebody who is not root."""
    if os.name != "posix" or os.geteuid() != 0:
        return list(words)
    return ["runuser", "-u", OWNER, "--", *words]


@contextmanager
def running_server(**chosen: str) -> Iterator[Server]:
    """Start a server in a temporary folder; skips, with a word, where there is none to start.

    Its settings are the least a test needs, unless some are `chosen`.
    """
    initdb, postgres = program("initdb"), program("postgres")
    if initdb is None or postgres is None:
        pytest.skip("no PostgreSQL server is installed here (Debian: postgresql-15)")
    # Not under pytest's own folder, which only its owner may enter.
    with tempfile.TemporaryDirectory(prefix="runlog-pg-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        if as_owner():
            shutil.chown(folder, OWNER)
        data = str(folder / "data")
        making = [initdb, "-D", data, "-U", USER, "-A", "trust", "-E", "UTF8", "--no-sync"]
        # Sorted as people's servers sort, which is not how SQLite does.
        making += ["--locale=C.UTF-8", "--locale-provider=icu", "--icu-locale=en-US"]
        done = subprocess.run(as_owner(*making), cwd=folder, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        with _kept_running(folder, [postgres, "-D", data, *_settings(folder, chosen)]) as server:
            yield server


def _settings(folder: Path, more: Mapping[str, str]) -> list[str]:
    """Reached through a socket only; nothing it holds is worth a wait for the disk."""
    chosen = {
        "listen_addresses": "",
        "unix_socket_directories": str(folder),
        "fsync": "off",
        "synchronous_commit": "off",
        "full_page_writes": "off",
        "shared_buffers": "16MB",
        "max_connections": "40",
    }
    return [
        word for name, value in {**chosen, **more}.items() for word in ("-c", f"{name}={value}")
    ]


@contextmanager
def _kept_running(folder: Path, words: list[str]) -> Iterator[Server]:
    line = as_owner("sh", "-c", KEEPER, "server", *words)
    with open(folder / "log", "wb") as log:
        keeper = subprocess.Popen(line, cwd=folder, stdin=subprocess.PIPE, stdout=log, stderr=log)
    server = Server(folder)
    try:
        _wait_until_ready(server, keeper)
        yield server
    finally:
        assert keeper.stdin is not None
        keeper.stdin.close()
        keeper.wait(STARTING_S)


def _wait_until_ready(server: Server, keeper: "subprocess.Popen[bytes]") -> None:
    until = time.monotonic() + STARTING_S
    while not server.ready():
        alive = keeper.poll() is None and time.monotonic() < until
        assert alive, (server.folder / "log").read_text(errors="replace")
        time.sleep(0.05)
