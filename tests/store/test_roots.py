"""Roots turn paths of a machine into places that every machine knows, and back."""

import pytest

from runlog.store.roots import FilePlace, MountedRoot, Root, Roots, free_name, is_below, name_of

ODD = b"\xff\xfe odd"
NIGHTS = MountedRoot(1, "nights", b"/old/nights", None, False, b"/mnt/a", True)
INNER = MountedRoot(2, "Light", b"/mnt/a/b/Light", None, False, b"/mnt/a/b/Light", True)
AFAR = Root(3, "afar", b"/else/Darks", None, away=True)
ROOTS = Roots([NIGHTS, INNER, AFAR])


@pytest.mark.parametrize(
    ("path", "place"),
    [
        (b"/mnt/a/x.fits", FilePlace(1, b"x.fits")),
        (b"/mnt/a/b/x.fits", FilePlace(1, b"b/x.fits")),
        (b"/mnt/a/b/Light/" + ODD, FilePlace(2, ODD)),
        (b"/mnt/a/b/Lights/x.fits", FilePlace(1, b"b/Lights/x.fits")),
        (b"/mnt/ab/x.fits", None),
        (b"/x.fits", None),
        (b"x.fits", None),
        (b"/else/Darks/x.fits", None),
    ],
)
def test_the_innermost_root_has_a_path(path, place):
    """Whole names of folders count, the innermost root wins, what lies in none has no place."""
    assert ROOTS.place(path) == place
    if place is not None:
        assert ROOTS.shown(place.root_id, place.path) == path


def test_a_root_that_is_a_whole_disk():
    """A path below / has one slash at its start, whichever way it is turned."""
    roots = Roots([MountedRoot(7, "disk", b"/", None, False, b"/", True)])
    assert roots.place(b"/a/x.fits") == FilePlace(7, b"a/x.fits")
    assert roots.shown(7, b"a/x.fits") == b"/a/x.fits"


def test_a_root_of_another_machine_is_shown_by_its_name():
    """What this machine does not have is written name:path, and read back from that."""
    assert ROOTS.shown(3, b"c/" + ODD) == b"afar:c/" + ODD
    assert ROOTS.spelt(b"Afar:c/" + ODD) == FilePlace(3, b"c/" + ODD)
    assert ROOTS.spelt(b"nowhere:x.fits") is None
    assert ROOTS.spelt(b"x.fits") is None


def test_what_names_tell_stays_with_the_first_folder():
    """Names of folders tell kinds: the same on each machine, wherever the disk is plugged in."""
    assert ROOTS.told(FilePlace(1, b"x.fits")) == b"/old/nights/x.fits"
    assert ROOTS.told(FilePlace(3, b"x.fits")) == b"/else/Darks/x.fits"


@pytest.mark.parametrize(
    ("folder", "name"),
    [
        (b"/a/Nights 2026/", "Nights 2026"),
        (b"/", "disk"),
        (b"/a/\xff\xfe", "__"),
        (b"/a/b:c", "b-c"),
        (b"/a/-rf", "rf"),
        (b"/a/tab\there", "tab_here"),
        ("/a/Völs".encode(), "Völs"),
    ],
)
def test_a_root_is_named_after_its_folder(folder, name):
    """A name can be read, typed as an argument, and told from the path after it."""
    assert name_of(folder) == name


def test_no_two_roots_have_one_name():
    """A name that is taken, in large or small letters, gets a number."""
    assert free_name("Light", []) == "Light"
    assert free_name("Light", ["light"]) == "Light 2"
    assert free_name("Light", ["Light", "LIGHT 2"]) == "Light 3"


def test_below_means_whole_names():
    """/a/bc does not lie in /a/b; a folder lies in itself and everything in /."""
    assert not is_below(b"/a/bc", b"/a/b")
    assert is_below(b"/a/b/c", b"/a/b/")
    assert is_below(b"/a/b", b"/a/b")
    assert is_below(b"/a", b"/")
