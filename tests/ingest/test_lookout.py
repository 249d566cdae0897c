"""Looking at folders again and again: what is seen of them when they hang, fail and come back."""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from runlog.ingest.lookout import SHARE_OF_TIME, Folders, Look

HANGS_S = 40.0


class Share:
    """A folder on a share that may hang: then looking at it takes long."""

    def __init__(self, root: Path) -> None:
        self.root, self.at_s, self.hangs_s = root, 0.0, 0.0
        root.mkdir()
        self.folders = Folders([os.fsencode(root)], self.clock_s)

    def clock_s(self) -> float:
        """Give the time; each question costs what the share takes."""
        self.at_s += self.hangs_s or 0.001
        return self.at_s

    def look(self, after_s: float = 5.0) -> Look:
        """Look once, some time after the last look."""
        self.at_s += after_s
        return self.folders.look(())

    def names(self) -> set[str]:
        """Look once; gives the names of the files that were seen."""
        return {os.fsdecode(os.path.basename(path)) for path in self.look().files}


@pytest.fixture
def share(tmp_path: Path) -> Share:
    """Give a share with one file."""
    share = Share(tmp_path / "share")
    (share.root / "old.fits").touch()
    return share


@pytest.fixture
def inner(share: Share) -> Path:
    """Give a folder inside, seen by a look that hung: the next whole one is far away."""
    folder = share.root / "night"
    folder.mkdir()
    share.hangs_s = HANGS_S
    share.look()
    share.hangs_s = 0.0
    return folder


@contextmanager
def heard(patch: pytest.MonkeyPatch, hear: Callable[[Any], object]) -> Iterator[None]:
    """Let something hear, or refuse, whatever `os.stat` is asked."""
    stat = os.stat

    def told(path: Any, **more: Any) -> os.stat_result:
        hear(path)
        return stat(path, **more)

    with patch.context() as for_now:
        for_now.setattr(os, "stat", told)
        yield


@pytest.mark.parametrize("is_first", [True, False])
def test_a_folder_that_hung_and_failed_is_listed_when_it_is_back(share, is_first):
    """Guards frames that nobody saw for an hour and a half, after a share hung half a minute."""
    (share.root / "night").mkdir()
    if not is_first:
        assert share.names() == {"old.fits"}
    away = share.root.rename(share.root.with_name("away"))
    share.hangs_s = HANGS_S
    share.look()
    share.look()
    share.hangs_s = 0.0
    assert share.look().away
    (away / "night" / "new.fits").touch()
    away.rename(share.root)
    assert share.names() == {"old.fits", "new.fits"}
    (share.root / "night" / "newer.fits").touch()
    assert "newer.fits" in share.names()


def test_a_folder_inside_that_fails_is_listed_when_it_is_back(share, inner, monkeypatch):
    """One that cannot be read is not gone: it is asked again at each look."""

    def fail(path: Any) -> None:
        if path == os.fsencode(inner):
            raise OSError(5, "Input/output error")

    (inner / "new.fits").touch()
    with heard(monkeypatch, fail):
        seen = [share.names() for _ in range(4)]
    assert not any("new.fits" in names for names in seen)
    assert share.names() == {"new.fits"}


def test_one_walk_that_hung_puts_off_the_next_no_further(share):
    """What a walk may take is reckoned by the shorter of the last two; a file that grew is seen."""
    share.look()
    share.hangs_s = HANGS_S
    assert share.look().whole
    share.hangs_s = 0.0
    assert share.look().whole


def test_walks_that_are_slow_are_seldom(share):
    """Folders that take long to walk each time are walked as seldom as that asks for."""
    share.hangs_s = 2.0
    for _ in range(3):
        assert share.look(2 * 2.0 / SHARE_OF_TIME).whole
        assert not share.look(0.5 * 2.0 / SHARE_OF_TIME).whole


def test_a_folder_that_is_gone_is_asked_no_more(share, inner, monkeypatch):
    """Nights that were moved away cost nothing at each look, however many there were."""
    inner.rmdir()
    asked: list[Any] = []
    with heard(monkeypatch, asked.append):
        for _ in range(4):
            share.look()
    assert asked.count(os.fsencode(inner)) == 1
