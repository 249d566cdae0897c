"""Walking folders: nothing a disk can hold stops the walk."""

import errno
import os

import pytest

from runlog.ingest.discover import Walk, is_fits_name


def names(walk, *roots):
    """Walk and give the names found, in order."""
    return [os.path.basename(found.path) for found in walk.files(map(os.fsencode, roots))]


@pytest.mark.parametrize(
    ("name", "is_frame"),
    [
        (b"a.fits", True),
        (b"a.FIT", True),
        (b"a.fts", True),
        (b"a.Fits.FZ", True),
        (b"a.fit.gz", True),
        (b"a.fits.zip", False),
        (b"fits", False),
        (b"a.fitsx", False),
        (b"a.gz", False),
        (b"\xff\xfe.fits", True),
    ],
)
def test_fits_names(name, is_frame):
    """.fit .fits .fts in any case, each also .gz and .fz."""
    assert is_fits_name(name) is is_frame


def test_other_formats_are_counted_and_notes_are_not(tmp_path):
    """Large files of formats we cannot read are counted by suffix; notes and logs are not."""
    (tmp_path / "a.fits").write_bytes(b"x")
    (tmp_path / "b.RAW").write_bytes(bytes(300_000))
    (tmp_path / "c.raw").write_bytes(bytes(300_000))
    (tmp_path / "noext").write_bytes(bytes(300_000))
    (tmp_path / "small.raw").write_bytes(bytes(10))
    (tmp_path / "log.txt").write_bytes(bytes(300_000))
    walk = Walk()
    assert names(walk, tmp_path) == [b"a.fits"]
    assert walk.other_formats == {".raw": 2, "no suffix": 1}


def test_hidden_files_are_left_alone(tmp_path):
    """Half-copied files and file-system leftovers begin with a dot."""
    (tmp_path / ".a.fits").write_bytes(b"x")
    (tmp_path / ".trash").mkdir()
    (tmp_path / ".trash" / "b.fits").write_bytes(b"x")
    assert names(Walk(), tmp_path) == []


def test_links_in_circles_end(tmp_path):
    """A folder that holds a link to itself or above is walked once."""
    inner = tmp_path / "a" / "b"
    inner.mkdir(parents=True)
    (inner / "x.fits").write_bytes(b"x")
    (inner / "up").symlink_to(tmp_path)
    (inner / "self").symlink_to(inner)
    (tmp_path / "second_way").symlink_to(inner)
    walk = Walk()
    assert names(walk, tmp_path) == [b"x.fits"]
    assert walk.problems == []


def test_a_link_to_itself_is_named(tmp_path):
    """A broken link and one that points at itself are problems of that name alone."""
    (tmp_path / "loop.fits").symlink_to(tmp_path / "loop.fits")
    (tmp_path / "gone.fits").symlink_to(tmp_path / "nowhere.fits")
    (tmp_path / "ok.fits").write_bytes(b"x")
    walk = Walk()
    assert names(walk, tmp_path) == [b"ok.fits"]
    assert {os.path.basename(path) for path, _ in walk.problems} == {b"loop.fits", b"gone.fits"}


def test_an_unreadable_folder_is_named_and_passed(tmp_path, monkeypatch):
    """Where one folder cannot be read the others are (as root, reading is made to fail)."""
    for name in ("a", "locked", "z"):
        (tmp_path / name).mkdir()
        (tmp_path / name / f"{name}.fits").write_bytes(b"x")
    real = os.scandir

    def scandir(path):
        if os.fsencode(path).endswith(b"locked"):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), path)
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)
    walk = Walk()
    assert names(walk, tmp_path) == [b"a.fits", b"z.fits"]
    ((path, why),) = walk.problems
    assert path.endswith(b"locked")
    assert "Permission denied" in why


def test_names_that_are_not_utf8(tmp_path):
    """A name is bytes: whatever an old disk holds is found and comes back as it is."""
    folder = os.fsencode(tmp_path) + b"/\xe4lt"
    os.mkdir(folder)
    with open(folder + b"/f\xfcr.fits", "wb") as file:
        file.write(b"x")
    (found,) = Walk().files([os.fsencode(tmp_path)])
    assert found.path == folder + b"/f\xfcr.fits"
