"""The same trouble on a server: not running, no rights, read-only, missing, full of others."""

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from random import Random

import psycopg

from tests.disks.world import World, run, unsaid, wrong
from tests.servers import Server, program, running_server

ASKED = (("totals",), ("goal", "M33", "R", "2"), ("check",))


def served(world: World, draw: Random, times: int) -> Iterator[str]:
    """Try each trouble on a server of our own."""
    if program("initdb") is None:
        return
    with running_server() as server:
        for _ in range(times):
            with server.database() as url:
                place = world.place("served")
                yield wrong(run(url, "scan", world.first, home=place))
                yield from _missing(server, url, place, draw)
                yield from _no_rights(server, url, place)
                yield from _read_only(server, url, place)
                yield from _crowded(server, url, place)
                yield from _held(url, place)
        gone = server.url("postgres")
    yield from _refused("not running", gone, world.place("served"), "does not answer")


def _refused(name: str, url: str, place: Path, words: str) -> Iterator[str]:
    for asked in ASKED:
        done = run(url, *asked, home=place)
        fault = unsaid(done) or ("" if words in done.stderr else f"other words: {done.stderr}")
        yield fault and f"{name}, {asked}: {fault}"


def _missing(server: Server, url: str, place: Path, draw: Random) -> Iterator[str]:
    away = server.url(f"nothing_{draw.randrange(999)}")
    yield from _refused("no such database", away, place, "no such database")
    nobody = url.replace("runlog@", "stranger@")
    yield from _refused("no such user", nobody, place, "no such database or user")
    yield from _refused("no such host", url.replace("runlog@/", "runlog@nowhere.invalid/")
                        .partition("?")[0], place, "does not answer")  # fmt: skip


def _no_rights(server: Server, url: str, place: Path) -> Iterator[str]:
    server.run("DROP ROLE IF EXISTS guest")
    server.run("CREATE ROLE guest LOGIN")
    guest = url.replace("runlog@", "guest@")
    yield from _refused("role without rights", guest, place, "does not let you")
    name = url.rpartition("/")[2] if "?" not in url else url.partition("?")[0].rpartition("/")[2]
    _on(server, name, "GRANT SELECT ON ALL TABLES IN SCHEMA public TO guest")
    read = run(guest, "totals", home=place)
    yield wrong(read) and f"role that may read: {wrong(read)}"
    fault = unsaid(run(guest, "goal", "M33", "R", "2", home=place))
    yield fault and f"role that may read, writing: {fault}"
    _on(server, name, "DROP OWNED BY guest")


def _read_only(server: Server, url: str, place: Path) -> Iterator[str]:
    name = url.partition("?")[0].rpartition("/")[2]
    server.run(f"ALTER DATABASE {name} SET default_transaction_read_only = on")
    read = run(url, "totals", home=place)
    yield wrong(read) and f"read-only by default: {wrong(read)}"
    fault = unsaid(run(url, "goal", "M33", "R", "2", home=place))
    yield fault and f"read-only by default, writing: {fault}"
    server.run(f"ALTER DATABASE {name} SET default_transaction_read_only = off")
    yield wrong(run(url, "goal", "M33", "R", "2", home=place))


def _crowded(server: Server, url: str, place: Path) -> Iterator[str]:
    server.run("DROP ROLE IF EXISTS guest")
    server.run("CREATE ROLE guest LOGIN")
    guest = url.replace("runlog@", "guest@")
    with ExitStack() as held:
        try:
            while True:
                where = {"host": str(server.folder), "user": "guest", "dbname": "postgres"}
                held.enter_context(psycopg.connect(**where))
        except psycopg.OperationalError:
            pass
        yield from _refused("no connection left", guest, place, "no connection left")


def _held(url: str, place: Path) -> Iterator[str]:
    """Hold the writer's lock for some seconds: the wait is told and the command goes on."""
    from threading import Timer

    from runlog.store.engine import WRITER_LOCK

    plain = url.replace("+psycopg", "")
    with psycopg.connect(plain, autocommit=False) as holder:
        holder.execute("SELECT pg_advisory_xact_lock(%s)", (WRITER_LOCK,))
        timer = Timer(8.0, holder.rollback)
        timer.start()
        done = run(url, "goal", "M33", "R", "2", home=place)
        timer.join()
    told = "Waiting for another program" in done.stderr
    yield wrong(done) or ("" if told else f"held: not told: {done.stderr}")


def _on(server: Server, name: str, statement: str) -> None:
    where = {"host": str(server.folder), "user": "runlog", "dbname": name}
    with psycopg.connect(**where, autocommit=True) as connection:
        connection.execute(statement)
