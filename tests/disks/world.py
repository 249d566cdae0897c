"""A small archive to try trouble on, the command as it is run, and what must hold of its words."""

import os
import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from tests.tools import argv, environment, here, noise, runlog, write_frame

FIRST, MORE = 4, 12  # frames stored before the trouble, and those to come
LENGTH_S = 300.0
WORDS_S = 200.0  # longer than any command waits
READERS = ("totals", "nights", "night", "frames", "targets", "calibration", "export", "check")


@dataclass
class World:
    """Frames on disk, a database that holds some of them, and a place to spoil copies in."""

    folder: Path
    seed: int = 1
    tried: int = field(default=0)

    @property
    def first(self) -> Path:
        """Where the frames lie that are stored."""
        return self.folder / "first"

    @property
    def more(self) -> Path:
        """Where the frames lie that are not."""
        return self.folder / "more"

    @property
    def base(self) -> Path:
        """The database as it is without trouble."""
        return self.folder / "base.sqlite"

    def make(self) -> "World":
        """Write the frames and store the first ones, a mark and a goal."""
        self.folder.mkdir(parents=True, exist_ok=True)
        self.folder.chmod(0o755)
        for number in range(FIRST + MORE):
            home = self.first if number < FIRST else self.more
            start = f"2026-10-{10 + number // 8:02d}T0{number % 8}:00:00"
            write_frame(home / f"light_{number:04d}.fits", noise(number), DATE__OBS=start)
        for words in (("scan", self.first), ("mark", "light_0001.fits", "keep"),
                      ("goal", "M33", "L", "3")):  # fmt: skip
            done = here(self.folder, "--db", self.base, *words)
            assert done.returncode == 0, done.stderr
        close(self.base)
        return self

    def place(self, name: str = "") -> Path:
        """Make a new folder to try something in."""
        self.tried += 1
        place = self.folder / f"{name or 'trial'}-{self.tried}"
        place.mkdir()
        return place

    def copy(self, folder: Path) -> Path:
        """Copy the database into a folder."""
        return Path(shutil.copy(self.base, folder / "night.sqlite"))


Trial = Callable[[World, Random, int], Iterator[str]]  # a word for each trial: "" where all held


def run(
    database: Path | str, *words: str | os.PathLike[str], home: Path, **more: Any
) -> "subprocess.CompletedProcess[str]":
    """Run a command on a database."""
    return runlog(home, "--db", str(database), *words, timeout_s=WORDS_S, **more)


def close(database: Path) -> None:
    """Put what lies beside a database into it, so that it can be copied."""
    with closing(sqlite3.connect(database)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def said(database: Path, home: Path) -> tuple[str, ...]:
    """Write out what a database says to the outside."""
    asked = (("frames", "--json"), ("totals", "--json"), ("nights", "--json"))
    return tuple(here(home, "--db", database, *words).stdout for words in asked)


def unsaid(done: "subprocess.CompletedProcess[str]", *, named: Path | None = None) -> str:
    """Say what is wrong with the words of a failure: it must tell what, to what, what to do."""
    text = done.stderr + done.stdout
    if "Traceback" in text:
        return f"a traceback: {text[-300:]}"
    if done.returncode != 3:
        return f"exit code {done.returncode}: {text[-300:]}"
    lines = done.stderr.splitlines()
    if not any(line.startswith("runlog: ") for line in lines) or not lines[-1].startswith("  "):
        return f"no words, or no cure: {done.stderr!r}"
    if named is not None and str(named) not in done.stderr:
        return f"{named} is not named: {done.stderr!r}"
    return ""


def wrong(done: "subprocess.CompletedProcess[str]", code: int = 0) -> str:
    """Say what is wrong with a command that must succeed."""
    if done.returncode != code or "Traceback" in done.stderr:
        return f"exit code {done.returncode}, not {code}: {done.stderr[-400:]}"
    return ""


# --- a small disk -----------------------------------------------------------------------------


def may_mount() -> bool:
    """Tell whether a disk may be mounted here."""
    if shutil.which("mount") is None or os.name != "posix" or os.geteuid() != 0:
        return False
    words = ["unshare", "-m", "mount", "-t", "tmpfs", "tmpfs", "/mnt"]
    return subprocess.run(words, capture_output=True, check=False).returncode == 0


@contextmanager
def small_disk(folder: Path, kb: int) -> Iterator[Path]:
    """Mount a disk of so many kB."""
    folder.mkdir(exist_ok=True)
    mount(folder, kb)
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def mount(folder: Path, kb: int) -> None:
    """Mount a disk."""
    words = ["mount", "-t", "tmpfs", "-o", f"size={kb}k,mode=755", "tmpfs", str(folder)]
    subprocess.run(words, check=True)


def remount(folder: Path, options: str) -> None:
    """Change a mounted disk."""
    subprocess.run(["mount", "-o", f"remount,{options}", str(folder)], check=True)


# --- another user -----------------------------------------------------------------------------

NOBODY = 65534


def another_user() -> Sequence[str] | None:
    """Give what makes a command be run by another user who may read but not write; None if none.

    The interpreter may lie where only root may look: he is let look anywhere.
    """
    prefix = (
        "setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups",
        "--inh-caps=+dac_read_search", "--ambient-caps=+dac_read_search",
    )  # fmt: skip
    if os.name != "posix" or os.geteuid() != 0 or shutil.which("setpriv") is None:
        return None
    done = subprocess.run([*prefix, *argv("--help")], capture_output=True, check=False)
    return prefix if done.returncode == 0 else None


def run_as(
    prefix: Sequence[str],
    database: Path | str,
    *words: str | os.PathLike[str],
    env: Mapping[str, str] | None = None,
) -> "subprocess.CompletedProcess[str]":
    """Run a command as another user, or under another clock."""
    environ = environment(Path("/nonexistent"), PYTHONDONTWRITEBYTECODE="1", **(env or {}))
    line = [*prefix, *argv("--db", str(database), *words)]
    return subprocess.run(
        line, env=environ, capture_output=True, text=True, timeout=WORDS_S, check=False, cwd="/tmp"
    )
