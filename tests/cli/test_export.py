"""Kept frames are handed over as a list, a table, or links that overwrite nothing."""

import csv
import io
import os
import shutil
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.ledger.link_names import Keeper, folder_name, places, weighted
from tests.tools import here, noise, runlog, runlog_json, write_frame, write_run

pytestmark = pytest.mark.both_databases


@pytest.fixture
def home(tmp_path, monkeypatch, database):
    """Scan four frames: two kept, one doubtful, one rejected."""
    monkeypatch.setattr("runlog.actions.scan.FEW", 100)
    write_run(tmp_path / "frames", 4)
    assert here(tmp_path, "scan", tmp_path / "frames").returncode == 0
    for number, grade in enumerate(("keep", "keep", "doubtful", "reject")):
        here(tmp_path, "mark", f"light_{number:04d}.fits", grade)
    return tmp_path


def tree(folder):
    """List the files of a tree, relative."""
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*") if not p.is_dir())


PLACES = [f"M 33/L/2026-10-09/light_000{i}.fits" for i in (0, 1)]


def test_the_list(home):
    """One path a line, kept frames only; doubtful ones when asked for."""
    paths = here(home, "export").stdout.split()
    assert paths == [str(home / "frames" / f"light_000{i}.fits") for i in (0, 1)]
    assert len(here(home, "export", "--doubtful").stdout.split()) == 3
    assert here(home, "export", "--filter", "Ha").stdout == ""


def test_weights(home):
    """CSV has effective time, empty where a frame's depth is not known."""
    rows = list(csv.DictReader(io.StringIO(here(home, "export", "--csv").stdout)))
    assert [row["exposure_s"] for row in rows] == ["300.0", "300.0"]
    assert {"effective_s", "depth_share", "weight"} <= set(rows[0])


def test_links(home):
    """Target, filter, night; the links lead to the frames; a second time nothing is made."""
    done = here(home, "export", "--links", home / "out")
    assert done.returncode == 0
    assert tree(home / "out") == PLACES
    assert (home / "out" / PLACES[0]).is_symlink()
    assert (home / "out" / PLACES[0]).samefile(home / "frames" / "light_0000.fits")
    assert "0 linked, 2 there before" in here(home, "export", "--links", home / "out").stderr


def test_hard_links(home):
    """Hard links share the file."""
    assert here(home, "export", "--links", home / "out", "--hard").returncode == 0
    assert os.stat(home / "frames" / "light_0000.fits").st_nlink == 2
    assert not (home / "out" / PLACES[0]).is_symlink()


def test_a_dry_run_makes_nothing(home):
    """It says what it would link."""
    done = here(home, "export", "--links", home / "out", "--dry-run")
    assert done.stdout.split("\n")[:2] == [str(home / "out" / p) for p in PLACES]
    assert not (home / "out").exists()


@pytest.mark.parametrize("what", ["file", "link to another", "dangling link", "folder"])
def test_nothing_is_overwritten(home, what):
    """What lies in the way stays as it is, is named, and the other frames are linked."""
    place = home / "out" / PLACES[0]
    place.parent.mkdir(parents=True)
    if what == "file":
        place.write_text("precious")
    elif what == "folder":
        place.mkdir()
    else:
        place.symlink_to(
            home / ("frames/light_0003.fits" if what == "link to another" else "nowhere")
        )
    before = os.readlink(place) if place.is_symlink() else place.is_file() and place.read_text()
    done = here(home, "export", "--links", home / "out")
    assert done.returncode == 1
    assert "left alone" in done.stderr
    after = os.readlink(place) if place.is_symlink() else place.is_file() and place.read_text()
    assert after == before
    assert (home / "out" / PLACES[1]).is_symlink()


@pytest.mark.parametrize("depth", [1, 2, 3])
@pytest.mark.parametrize("hard", [(), ("--hard",)])
def test_planted_links_are_not_followed(home, depth, hard):
    """A link where a folder of the tree should be leads nowhere: nothing is made behind it."""
    at = home.joinpath("out", *PLACES[0].split("/")[:depth])
    at.parent.mkdir(parents=True)
    (home / "elsewhere").mkdir()
    at.symlink_to(home / "elsewhere")
    for dry in ("--dry-run",), ():
        done = here(home, "export", "--links", home / "out", *hard, *dry)
        assert done.returncode == 1
        assert done.stdout == ""
        assert done.stderr.count(f"not linked: {at}: a link or file lies where") == 2
    assert list((home / "elsewhere").rglob("*")) == []
    assert at.is_symlink()


def test_a_file_where_a_folder_should_be(home):
    """A file in the way is named and stays; a dry run says the same."""
    (home / "out").mkdir()
    (home / "out" / "M 33").write_text("precious")
    for dry in ("--dry-run",), ():
        assert here(home, "export", "--links", home / "out", *dry).returncode == 1
    assert (home / "out" / "M 33").read_text() == "precious"


def test_a_file_where_the_tree_should_be(home):
    """A tree cannot grow in a file."""
    (home / "out").write_text("precious")
    assert here(home, "export", "--links", home / "out").returncode == 2
    assert (home / "out").read_text() == "precious"


def test_frames_that_are_away(home):
    """A kept frame whose file is gone is named, and the others are handed over."""
    os.remove(home / "frames" / "light_0001.fits")
    here(home, "scan", home / "frames")
    done = here(home, "export")
    assert done.returncode == 1
    assert len(done.stdout.split()) == 1
    assert "light_0001.fits" in done.stderr


def test_a_copy_that_is_there_is_handed_over(home):
    """Of two copies the one that is on disk is taken."""
    shutil.copytree(home / "frames", home / "copy")
    here(home, "scan", home / "copy")
    shutil.rmtree(home / "frames")
    here(home, "scan", home)
    assert here(home, "export").stdout.split()[0].startswith(str(home / "copy"))


def test_names_that_are_not_text(tmp_path):
    """A path need not be UTF-8: the list gives its bytes, null-ended when asked."""
    path = os.path.join(os.fsencode(tmp_path), b"frames", b"caf\xe9.fits")
    write_frame(tmp_path / "frames" / "a.fits", noise(1))
    os.rename(tmp_path / "frames" / "a.fits", path)
    assert runlog(tmp_path, "scan", tmp_path / "frames").returncode == 0
    key = runlog_json(tmp_path, "frames")["rows"][0]["fingerprint"]
    here(tmp_path, "mark", key, "keep")
    done = here(tmp_path, "export", "-0")
    assert os.fsencode(done.stdout) == path + b"\0"
    assert here(tmp_path, "export", "--links", tmp_path / "out").returncode == 0
    assert os.path.islink(
        os.path.join(os.fsencode(tmp_path), b"out/M 33/L/2026-10-09/caf\xe9.fits")
    )


# --- the pure parts -------------------------------------------------------------------------


def keeper(key, path, target="M 33", effective_s=None):
    """Make a kept frame."""
    return Keeper(key, path, target, "L", "2026-10-09", 300.0, effective_s)


@pytest.mark.parametrize(
    ("name", "folder"),
    [
        ("NGC 7000 panel 2", "NGC 7000 panel 2"),
        ("Hα + ☉", "Hα + ☉"),
        ("../../etc", "_.._etc~"),
        ("a/b\\c:d", "a_b_c_d~"),
        ("..", "unnamed~"),
        ("\x1b[31m", "_[31m~"),
        ("two\nlines", "two_lines~"),
        ("abc\u202egpj", "abc_gpj~"),
        ("-rf", "_rf~"),
        ("~root", "_root~"),
        ("nul", "_nul~"),
        ("Com1.x", "_Com1.x~"),
        ("", "unnamed~"),
        ("M 33.", "M 33~"),
    ],
)
def test_folders_stay_inside_the_tree(name, folder):
    """Names from headers cannot lead out of the tree, nor hold what a disk or a shell obeys."""
    made = folder_name(name)
    assert made == folder or (folder.endswith("~") and made[:-6] == folder)


@given(st.lists(st.text(st.characters(exclude_categories=["Cs"]) | st.sampled_from("aA/\\.-~ :"))))
def test_a_folder_is_of_one_target(texts):
    """Whatever two targets are called, each has a folder of its own, on any disk."""
    frames = [keeper("a" * 32, b"/f.fits", target=text) for text in set(texts)]
    made = [place[0].decode() for _, place in places(frames)]
    alike = {unicodedata.normalize("NFC", name.casefold()) for name in made}
    assert len(alike) == len(frames)
    for name in made:
        assert name.isprintable()
        assert not set(name) & set('<>:"/\\|?*')
        assert name.strip(" .") == name
        assert name[0] not in "-~"
        assert len(name.encode()) <= 120


@given(st.lists(st.binary(min_size=1, max_size=255).filter(lambda raw: not {0, 47} & {*raw})))
def test_two_names_that_differ_by_case_only(names):
    """On a disk that takes large and small letters for one, no file takes another's place."""
    frames = [keeper(f"{n:032x}"[::-1], b"/%d/" % n + name) for n, name in enumerate(names)]
    made = [place[-1] for _, place in places(frames)]
    assert len({os.fsdecode(name).casefold() for name in made}) == len(frames)
    assert all(len(name) <= 255 for name in made)


def test_two_files_of_one_name():
    """Frames of one name on one night both get a place, whatever their order."""
    frames = [keeper("a" * 32, b"/one/f.fits"), keeper("b" * 32, b"/two/f.fits")]
    placed = places(frames)
    assert [place[-1] for _, place in placed] == [b"f_aaaaaaaa.fits", b"f_bbbbbbbb.fits"]
    assert places(frames[::-1]) == placed


def test_weights_are_shares_of_the_best():
    """The deepest frame of a target and filter weighs 1; an unknown depth has no weight."""
    frames = [
        keeper("a", b"a", effective_s=300.0),
        keeper("b", b"b", effective_s=150.0),
        keeper("c", b"c"),
        keeper("d", b"d", "M 31", 30.0),
    ]
    assert [k.depth_share for k in weighted(frames)] == [1.0, 0.5, None, 1.0]
