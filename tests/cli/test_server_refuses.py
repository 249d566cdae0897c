"""A server that will not, or not now: our own words with a cure, exit 3, nothing half-written.

What the server and its library say is the judge: PostgreSQL's manual, sections 21 (client
authentication), 19.9 (TLS) and 34.19 (sslmode), all of it provoked here on a real one.
"""

import os
import shutil
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest
from sqlalchemy import event
from sqlalchemy.engine import Engine

from runlog.store.engine import open_engine, writing
from runlog.store.migrate import upgrade
from tests.clubs import club
from tests.servers import OWNER, as_owner, running_server
from tests.tools import here, runlog_json, write_run

ADDRESS = "127.87.23.5"  # of the loopback, at which nobody else listens
SECRET = "correct-horse"
HBA = """local all all trust
hostssl all ann 127.0.0.0/8 scram-sha-256
"""


def prepared(data: Path) -> dict[str, str]:
    """Give a server a certificate for its address, and have it want TLS and a password."""
    name = ["-subj", "/CN=nights", "-addext", f"subjectAltName=IP:{ADDRESS}"]
    files = ["-keyout", data / "server.key", "-out", data / "server.crt"]
    made = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", *files]
    subprocess.run([*made, *name], check=True, capture_output=True)
    (data / "pg_hba.conf").write_text(HBA)
    (data / "server.key").chmod(0o600)
    if as_owner():
        for file in ("server.key", "server.crt"):
            shutil.chown(data / file, OWNER, OWNER)
    with (data / "postgresql.conf").open("a") as conf:  # where it can be turned off again
        conf.write("ssl = on\n")
    return {}


@pytest.fixture(scope="module")
def guarded():
    """Start a server that is reached across a network, by TLS and password only."""
    if sys.platform != "linux" or shutil.which("openssl") is None:
        pytest.skip("wants Linux's loopback and openssl")
    with running_server(ADDRESS, prepared) as server:
        server.run(f"CREATE ROLE ann LOGIN PASSWORD '{SECRET}'")
        server.run("CREATE DATABASE nights OWNER ann")
        yield server


@pytest.fixture
def ask(guarded, tmp_path):
    """Run a command on it with some password and mode of TLS; no word of it tells the password."""
    certificate = guarded.folder / "data" / "server.crt"
    copy = tmp_path / "root.crt"
    copy.write_bytes(certificate.read_bytes())

    def asked(mode, password=SECRET, root=copy, user="ann", name=ADDRESS):
        passfile = tmp_path / "pgpass"
        passfile.write_text(f"*:*:*:*:{password}\n" if password else "")
        passfile.chmod(0o600)
        known = f"&sslrootcert={root}" if root else ""
        url = f"postgresql+psycopg://{user}@{name}/nights?sslmode={mode}{known}&hostaddr={ADDRESS}"
        env = {"PGPASSFILE": str(passfile), "HOME": str(tmp_path)}
        done = here(tmp_path, "--db", url, "totals", env=env)
        assert SECRET not in done.stdout + done.stderr
        assert "Traceback" not in done.stderr
        return done

    return asked


REFUSALS = {
    "a wrong password": (("verify-full", "wrong"), "does not know this user and password"),
    "no password": (("verify-full", ""), "wants a password"),
    "no TLS, where it is wanted": (("disable",), "lets nobody in this way"),
    "a certificate nobody vouches for": (("verify-full", SECRET, None), "could not be verified"),
    "a certificate of another": (
        ("verify-full", SECRET, ..., "ann", "nights.example"),
        "could not be verified",
    ),
    "a login that may not": (("verify-full", SECRET, ..., "runlog"), "lets nobody in this way"),
}


@pytest.mark.parametrize("what", REFUSALS)
def test_who_is_not_let_in_is_told_why(ask, what):
    """Password, encryption, certificate, login: each has its own words, and a cure."""
    asked, words = REFUSALS[what]
    given = {1: "password", 2: "root", 3: "user", 4: "name"}
    options = {given[i]: v for i, v in enumerate(asked) if i and v is not ...}
    done = ask(asked[0], **options)
    assert done.returncode == 3
    assert words in done.stderr
    assert len(done.stderr.strip().splitlines()) >= 2  # what, and what to do


def test_with_all_in_order_it_works(ask):
    """The same address with the right password through PGPASSFILE, verified in full."""
    done = ask("verify-full")
    assert done.returncode == 0, done.stderr


def test_a_server_without_tls(guarded, ask):
    """Where TLS is asked for and there is none, nothing goes on without it."""
    guarded.run("ALTER SYSTEM SET ssl = off")
    guarded.run("SELECT pg_reload_conf()")
    try:
        until = time.monotonic() + 10
        while (done := ask("verify-full")).returncode == 0 and time.monotonic() < until:
            time.sleep(0.1)  # it reads its settings when it comes to that
    finally:
        guarded.run("ALTER SYSTEM RESET ssl")
        guarded.run("SELECT pg_reload_conf()")
    assert done.returncode == 3
    assert "does not speak TLS" in done.stderr


# --- schema -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shared(server, tmp_path_factory):
    """Let an observer scan a rig in the keeper's database."""
    home = tmp_path_factory.mktemp("schema")
    with club(server, ["ann", "flo"]) as made:
        made.does(home, "keeper", "scan", write_run(home / "first", 1, TELESCOP="first")[0])
        made.does(home, "keeper", "club", "add", made.login("ann"), "--role", "observer")
        made.does(home, "ann", "scan", write_run(home / "own", 1, first=5)[0])
        yield made, home


@pytest.mark.parametrize(
    ("version", "who", "words"),
    [
        ("0015", "ann", "only its keeper may bring it up to date"),
        ("9999", "ann", "made by a newer runlog"),
        ("9999", "keeper", "made by a newer runlog"),
    ],
)
@pytest.mark.parametrize("command", ["totals", "scan"])
def test_tables_of_another_version(shared, version, who, words, command):
    """A member is told what the keeper must do, or that runlog is too old; nothing is changed."""
    made, home = shared
    with made.sql("keeper") as keeper:
        (was,) = keeper.execute("SELECT version_num FROM alembic_version").fetchone()
        keeper.execute("UPDATE alembic_version SET version_num = %s", [version])
        try:
            words_of = {"scan": ("scan", home / "own"), "totals": ("totals",)}
            done = made.runs(home, who, *words_of[command])
            assert keeper.execute("SELECT version_num FROM alembic_version").fetchone() == (
                version,
            )
        finally:
            keeper.execute("UPDATE alembic_version SET version_num = %s", [was])
    assert done.returncode == 3
    assert words in done.stderr
    if version == "0015":
        assert f"Ask {made.login('keeper')}" in done.stderr


def test_any_keeper_brings_tables_up_to_date(server, tmp_path):
    """A second keeper's upgrade leaves the tables the owner's, with their policies."""
    with club(server, ["flo"]) as made:
        engine = open_engine(made.url("keeper"))
        with writing(engine) as connection:
            upgrade(connection, "0015")
        engine.dispose()
        server.run(f'GRANT "{made.login("keeper")}" TO "{made.login("flo")}"')
        made.does(tmp_path, "flo", "totals")
        with made.sql("keeper") as keeper:
            owners = keeper.execute(
                "SELECT DISTINCT tableowner FROM pg_tables WHERE schemaname = 'public'"
            ).fetchall()
            assert owners == [(made.login("keeper"),)]
            assert keeper.execute("SELECT count(*) FROM pg_policies").fetchone()[0] > 80


# --- in the middle of it ----------------------------------------------------------------------


def kept(home, url):
    """Count frames and files that are stored, and the runs that are not settled."""
    rows = runlog_json(home, "--db", url, "frames")["rows"]
    return len(rows), sum(row["grade"] is not None for row in rows)


def test_a_server_that_goes_in_the_middle(server, migrated, tmp_path):
    """The connection is cut between two rows of a batch: nothing of it stays, words say so."""
    write_run(tmp_path / "frames", 2)
    cut = []

    def strike(_connection, _cursor, statement, *_more):
        if statement.startswith("INSERT INTO header") and not cut:
            cut.append(statement)
            server.run("SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity "
                       "WHERE datname LIKE 'test_%' AND state <> 'idle'")  # fmt: skip

    with server.database(migrated) as url:
        event.listen(Engine, "before_cursor_execute", strike)
        try:
            done = here(tmp_path, "--db", url, "scan", tmp_path / "frames")
        finally:
            event.remove(Engine, "before_cursor_execute", strike)
        assert cut
        assert done.returncode == 3
        assert "does not answer" in done.stderr and "stored so far is safe" in done.stderr
        assert kept(tmp_path, url) == (0, 0)
        assert here(tmp_path, "--db", url, "scan", tmp_path / "frames").returncode == 0
        assert kept(tmp_path, url) == (2, 2)


@pytest.fixture
def small_disk(server):
    """Give a server a disk of a few megabytes for a database."""
    if as_owner() == []:
        pytest.skip("only root can mount a small disk")
    folder = server.folder / "small"
    folder.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", folder])
    if mounted.returncode:
        pytest.skip("no small disk can be mounted here")
    try:
        (folder / "space").mkdir()
        shutil.chown(folder / "space", OWNER, OWNER)
        server.run(f"CREATE TABLESPACE small LOCATION '{folder / 'space'}'")
        server.run("CREATE DATABASE small TEMPLATE template0 TABLESPACE small")
        yield folder, server.url("small")
    finally:
        server.run("DROP DATABASE IF EXISTS small WITH (FORCE)")
        server.run("DROP TABLESPACE IF EXISTS small")
        subprocess.run(["umount", folder], check=True)
        folder.rmdir()


def fill(folder):
    """Leave no room on a disk; gives the file to be emptied again."""
    stuffing = folder / "stuffing"
    with stuffing.open("wb", buffering=0) as file, suppress(OSError):
        while file.write(b"x" * 4096):
            pass
    return stuffing


def test_a_full_disk_lets_nobody_in(small_disk, tmp_path):
    """A connection may want to write itself: what its catalogue holds, after that was tidied."""
    folder, url = small_disk
    assert here(tmp_path, "--db", url, "totals").returncode == 0
    for path in folder.rglob("pg_internal.init"):
        path.unlink()
    stuffing = fill(folder)
    done = here(tmp_path, "--db", url, "totals")
    assert done.returncode == 3
    assert "disk that holds the database is full, or fails" in done.stderr
    os.truncate(stuffing, 0)
    assert here(tmp_path, "--db", url, "totals").returncode == 0


def test_a_full_disk_of_the_server(small_disk, tmp_path):
    """What was stored stays, nothing half; with room again the same command goes on."""
    folder, url = small_disk
    first, *_ = write_run(tmp_path / "frames", 3)
    env = {"HOME": str(tmp_path)}
    assert here(tmp_path, "--db", url, "scan", first, env=env).returncode == 0
    stuffing = fill(folder)
    done = here(tmp_path, "--db", url, "scan", tmp_path / "frames", env=env)
    assert done.returncode == 3
    assert "disk that holds the database is full" in done.stderr
    os.truncate(stuffing, 0)
    assert kept(tmp_path, url)[0] == 1
    assert here(tmp_path, "--db", url, "scan", tmp_path / "frames", env=env).returncode == 0
    assert kept(tmp_path, url)[0] == 3
