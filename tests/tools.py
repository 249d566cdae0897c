"""What several tests need: small frames on disk, the real command, a database written out."""

import contextlib
import io
import json
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO
from unittest import mock

import numpy as np
from astropy.io import fits
from sqlalchemy import Connection, Engine, select

from runlog.actions.mark import mark_frames
from runlog.actions.open import open_store
from runlog.actions.scan import scan
from runlog.actions.scan_report import ScanReport
from runlog.actions.settle import settle_all
from runlog.config import Settings
from runlog.store import models as m
from runlog.store.decisions import Decision, append_decisions, latest_marks
from runlog.store.engine import reading
from runlog.store.roots import below, with_mount

ROOT = Path(__file__).parents[1]
DATABASE_VARIABLE = "TEST_DATABASE"  # where a test's database is not in a file of its home
SHAPE = (48, 64)

LIGHT: Mapping[str, Any] = {
    "IMAGETYP": "Light Frame",
    "DATE-OBS": "2026-10-09T22:00:00.600",
    "EXPTIME": 300.0,
    "FILTER": "L",
    "OBJECT": "M 33",
    "INSTRUME": "MonoCam 9",
    "TELESCOP": "Ladybird 90/540",
    "FOCALLEN": 540.0,
    "XPIXSZ": 3.76,
    "YPIXSZ": 3.76,
    "XBINNING": 1,
    "YBINNING": 1,
    "GAIN": 100,
    "SITELAT": "+47 30 00",
    "SITELONG": "+16 00 00",
}


def noise(seed: int = 1, shape: tuple[int, ...] = SHAPE) -> np.ndarray[Any, Any]:
    """Draw an empty, noisy 16-bit frame."""
    sky = np.random.default_rng(seed).normal(1000, 20, shape)
    return sky.round().astype(np.uint16)


def header_of(cards: Mapping[str, Any]) -> fits.Header:
    """Make a light frame's header with some cards changed; None takes one away."""
    header = fits.Header()
    for keyword, value in {**LIGHT, **cards}.items():
        if value is not None:
            header[keyword] = value
    return header


def write_frame(path: Path, pixels: np.ndarray[Any, Any], **cards: Any) -> Path:
    """Write one light frame; a keyword with a dash is given with two underscores."""
    path.parent.mkdir(parents=True, exist_ok=True)
    header = header_of({key.replace("__", "-"): value for key, value in cards.items()})
    fits.PrimaryHDU(pixels, header).writeto(path, overwrite=True)
    return path


def moment(seconds: float) -> str:
    """Write a start `seconds` after 22:00 UTC of the evening used in most tests."""
    total = 22 * 3600 + seconds
    day, rest = divmod(total, 86_400)
    hour, rest = divmod(rest, 3600)
    minute, second = divmod(rest, 60)
    return f"2026-10-{9 + int(day):02d}T{int(hour):02d}:{int(minute):02d}:{second:06.3f}"


def write_run(
    folder: Path, frames: int, *, first: int = 0, step_s: float = 312.0, **cards: Any
) -> list[Path]:
    """Write a run of different frames, one every `step_s`."""
    return [
        write_frame(
            folder / f"light_{i:04d}.fits", noise(i), **{"DATE__OBS": moment(i * step_s)} | cards
        )
        for i in range(first, first + frames)
    ]


# --- the command as a person runs it --------------------------------------------------------


def environment(home: Path, **extra: str) -> dict[str, str]:
    """Give an environment in which the command finds nothing of the machine's user.

    Python may keep what it compiled, as it does for a person: else every start compiles it anew.
    """
    others = ("RUNLOG_", "XDG_", "PYTHONDONTWRITEBYTECODE")
    kept = {k: v for k, v in os.environ.items() if not k.startswith(others)}
    return kept | {"PYTHONPATH": str(ROOT), "HOME": str(home)} | extra


def database_of(home: Path) -> str:
    """Name the database of a test's home."""
    return os.environ.get(DATABASE_VARIABLE) or str(home / "night.sqlite")


def argv(*words: str | os.PathLike[str]) -> list[str]:
    """Give the command line of `runlog` with this Python."""
    return [sys.executable, "-m", "runlog", *map(os.fspath, words)]


def runlog(
    home: Path,
    *words: str | os.PathLike[str],
    env: Mapping[str, str] | None = None,
    timeout_s: float = 120,
    **more: Any,
) -> subprocess.CompletedProcess[str]:
    """Run the real command; its database is home/night.sqlite unless the words say otherwise."""
    environ = environment(home, RUNLOG_DB=database_of(home), **(env or {}))
    return subprocess.run(
        argv(*words),
        env=environ,
        capture_output=True,
        text=True,
        timeout=timeout_s,
        cwd=home,
        **more,
    )


def runlog_json(home: Path, *words: str | os.PathLike[str], code: int = 0) -> dict[str, Any]:
    """Run a command with --json in this process and read what it says."""
    done = here(home, *words, "--json")
    assert done.returncode == code, done.stderr
    body: dict[str, Any] = json.loads(done.stdout)
    return body


def here(
    home: Path,
    *words: str | os.PathLike[str],
    env: Mapping[str, str] | None = None,
    stdout: TextIO | None = None,
) -> subprocess.CompletedProcess[str]:
    """Run the same command line in this process: quicker, for what needs no process of its own.

    What it writes comes back, unless it is to go to another `stdout`.
    """
    from runlog.cli import _run

    environ = {"HOME": str(home), "RUNLOG_DB": database_of(home), **(env or {})}
    line = ["runlog", *map(os.fspath, words)]
    out, err = io.StringIO(), io.StringIO()
    with (
        mock.patch.dict(os.environ, environ),
        mock.patch.object(sys, "argv", line),
        contextlib.chdir(home),
        contextlib.redirect_stdout(stdout or out),
        contextlib.redirect_stderr(err),
    ):
        code = _run()
    return subprocess.CompletedProcess(line, code, out.getvalue(), err.getvalue())


# --- the scan without the command -----------------------------------------------------------


def scan_into(
    database: Path | str, *folders: Path, settings: Settings | None = None, workers: int = 2
) -> ScanReport:
    """Scan some folders or files in this process."""
    settings = settings or Settings()
    engine = open_store(str(database), settings)
    try:
        return scan(engine, settings, [os.fsencode(f) for f in folders], workers=workers)
    finally:
        engine.dispose()


NOT_COMPARED = {"id", "run_id", "frame_id", "header_id", "rig_id", "revision", "settled_revision"}


def written_out(engine: Engine) -> dict[str, list[tuple[Any, ...]]]:
    """Write out what a database says, apart from row numbers and times of reading."""
    f = m.frame.c
    queries = {
        "frame": select(m.frame, m.run.c.night, m.rig.c.key).select_from(
            m.frame.join(m.run).join(m.rig)
        ),
        "header": select(m.header, f.content_key).select_from(m.header.join(m.frame)),
        "sum": select(m.run_sum, m.run.c.night, m.rig.c.key, m.rig.c.name).select_from(
            m.run_sum.join(m.run).join(m.rig)
        ),
        "stars": select(m.star_list.c.stars, f.content_key).select_from(m.star_list.join(m.frame)),
    }
    with reading(engine) as connection:
        said = {name: _plain(connection.execute(q)) for name, q in queries.items()}
        return said | {"file": _files(connection)}


def _files(connection: Connection) -> list[tuple[Any, ...]]:
    """Write out files by their paths on this machine: which root is theirs is not compared."""
    f, h, at = m.file.c, m.header.c, m.mount.c
    query = select(at.path, f.path, f.error, f.missing, at.missing, h.digest)
    files = with_mount(connection, m.file, m.mount).outerjoin(m.header)
    rows = connection.execute(query.select_from(files)).all()
    return sorted(
        ((below(folder, path), error, missing or away, digest)
         for folder, path, error, missing, away, digest in rows),
        key=repr,
    )  # fmt: skip


def _plain(rows: Any) -> list[tuple[Any, ...]]:
    kept = [i for i, name in enumerate(rows.keys()) if name not in NOT_COMPARED]
    return sorted((tuple(row[i] for i in kept) for row in rows), key=repr)


def mark_settled(
    engine: Engine, settings: Settings, named: Sequence[str], grade: str, note: str | None, who: str
) -> None:
    """Mark frames, and settle what follows from it, as the next command does."""
    mark_frames(engine, named, grade, note, who)
    settle_all(engine, settings)


def say(
    connection: Connection, frame_ids: Sequence[int], grade: str, who: str, at_utc: datetime
) -> None:
    """Append marks, as a person makes them."""
    before = latest_marks(connection, frame_ids, who)
    decisions = [Decision(frame_id, grade, None) for frame_id in frame_ids]
    append_decisions(connection, decisions, before, who, at_utc)


def content(database: Path | str) -> dict[str, list[tuple[Any, ...]]]:
    """Write out a database file."""
    engine = open_store(str(database), Settings())
    try:
        return written_out(engine)
    finally:
        engine.dispose()


def rows(database: Path | str, *columns: str) -> Sequence[Any]:
    """Load some columns of all frames, in time order."""
    engine = open_store(str(database), Settings())
    try:
        with reading(engine) as connection:
            chosen = [m.frame.c[name] for name in columns]
            return connection.execute(select(*chosen).order_by(m.frame.c.taken_at_utc)).all()
    finally:
        engine.dispose()


def logged_s(database: Path | str) -> float:
    """Add up the logged time of all totals."""
    engine = open_store(str(database), Settings())
    try:
        with reading(engine) as connection:
            return sum(connection.execute(select(m.run_sum.c.logged_s)).scalars())
    finally:
        engine.dispose()
