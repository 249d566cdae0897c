"""Where folders are is said by each login for its own machine; others' words stay theirs."""

import os

import pytest
from psycopg.errors import InsufficientPrivilege

from tests.clubs import club, copied
from tests.tools import here, write_run

ANN, BEN = "ann's 90/540", "ben's 80/480"
PC = "observatory"


@pytest.fixture(scope="module")
def begun(server, tmp_path_factory):
    """Ann and Ben share a machine of the club, or have machines of one name; Rea may look."""
    home = tmp_path_factory.mktemp("home")
    write_run(home / "disk" / "ann", 2, TELESCOP=ANN)
    with club(server, ["ann", "ben", "rea"]) as made:
        made.json(home, "keeper", "roots")
        for who, role in (("ann", "observer"), ("ben", "observer"), ("rea", "reader")):
            made.does(home, "keeper", "club", "add", made.login(who), "--role", role)
        assert at_pc(made, home, "ann", "scan", home / "disk" / "ann").returncode == 0
        yield made, home


@pytest.fixture
def shared(begun, tmp_path):
    """Copy what was begun for one test, and the disk."""
    made, home = begun
    with copied(made) as made:
        yield made, home


def at_pc(made, home, who, *words):
    """Run a command as a login on the machine that has one name for all."""
    return here(home, *words, env={"RUNLOG_DB": made.url(who), "RUNLOG_MACHINE": PC})


def roots_of(made, home, who="ann"):
    """List the roots as a login sees them on that machine."""
    os.environ["RUNLOG_MACHINE"] = PC
    try:
        return {row["name"]: row for row in made.json(home, who, "roots")["rows"]}
    finally:
        del os.environ["RUNLOG_MACHINE"]


def everything(made):
    """Read all roots and places as the keeper sees them."""
    with made.sql("keeper") as keeper:
        return [
            keeper.execute(f"SELECT * FROM {table} ORDER BY 1, 2, 3").fetchall()
            for table in ("root", "mount", "file")
        ]


OTHERS = {
    "renamed": "UPDATE root SET name = 'mine'",
    "moved": "UPDATE mount SET path = 'x'",
    "away": "UPDATE mount SET missing = true",
    "taken over": "UPDATE mount SET login = session_user",
    "unmapped": "DELETE FROM mount",
    "forgotten": "DELETE FROM root",
    "signed by another": "INSERT INTO mount (root_id, machine, login, path, missing) "
    "SELECT root_id, 'other', login, path, false FROM mount",
    "named by another": "INSERT INTO root (name, origin, login) "
    "SELECT 'x', origin, login FROM root",
    "of one's own, given away": "UPDATE mount SET login = 'x' WHERE login = session_user",
}


@pytest.mark.parametrize("what", OTHERS)
def test_others_roots_and_places_stay(begun, what):
    """In plain SQL an observer changes and removes only what is signed by their own login."""
    made, _ = begun
    before = everything(made)
    with made.sql("ben") as ben:
        try:
            assert ben.execute(OTHERS[what]).rowcount == 0
        except InsufficientPrivilege:
            assert "INSERT" in OTHERS[what]
    assert everything(made) == before


def test_ones_own_places_are_ones_own(begun):
    """Guards the policies from shutting everybody out."""
    made, _ = begun
    with made.sql("ann") as ann, ann.transaction(force_rollback=True):
        for what in ("renamed", "moved", "away", "unmapped"):
            assert ann.execute(OTHERS[what]).rowcount == 1
        with pytest.raises(InsufficientPrivilege):
            ann.execute(
                "INSERT INTO mount (root_id, machine, login, path, missing) "
                "SELECT id, 'x', 'ben', 'x', false FROM root"
            )


def test_each_login_has_its_own_place_on_machines_of_one_name(shared, tmp_path):
    """Ben's machine is called as Ann's is, and has the share elsewhere: neither moves the other."""
    made, home = shared
    (tmp_path / "share").symlink_to(home / "disk")
    said = at_pc(made, home, "ben", "roots", "map", "ann", tmp_path / "share" / "ann")
    assert said.returncode == 0, said.stderr
    places = {"ann": str(home / "disk" / "ann"), "ben": str(tmp_path / "share" / "ann")}
    for who, place in places.items():
        line = roots_of(made, home, who)["ann"]
        assert line["path"] == place
        assert line["machines"] == {f"{PC} ({made.login(w)})": at for w, at in places.items()}
        shown = at_pc(made, home, who, "frames", "--json").stdout
        assert os.path.join(place, "light_0000.fits") in shown


def test_a_root_of_a_machine_of_the_same_name_is_known_again(shared, tmp_path):
    """Ben scans the share where he has it: what Ann scanned is not stored twice."""
    made, home = shared
    os.rename(home / "disk", tmp_path / "disk")  # nothing where Ann has it
    try:
        done = at_pc(made, home, "ben", "scan", tmp_path / "disk" / "ann")
    finally:
        os.rename(tmp_path / "disk", home / "disk")
    assert done.returncode == 0, done.stderr
    assert "2 unchanged" in done.stderr, done.stderr
    lines = roots_of(made, home)
    assert list(lines) == ["ann"]
    assert lines["ann"]["path"] == str(home / "disk" / "ann")


def test_an_outer_folder_leaves_anothers_root_alone(shared, tmp_path):
    """Ben scans all of the disk that Ann's folder lies on: hers stays a root, and is found."""
    made, home = shared
    write_run(home / "disk" / "ben", 1, first=9, TELESCOP=BEN)
    done = at_pc(made, home, "ben", "scan", home / "disk")
    assert done.returncode == 0, done.stderr
    lines = roots_of(made, home)
    assert {name: line["files"] for name, line in lines.items()} == {"ann": 2, "disk": 1}
    # What is all Ben's becomes one, as ever.
    done = at_pc(made, home, "ben", "scan", home)
    assert done.returncode == 0, done.stderr
    lines = roots_of(made, home)
    assert {name: line["files"] for name, line in lines.items()} == {"ann": 2, home.name: 1}
    again = at_pc(made, home, "ann", "scan")
    assert again.returncode == 0 and "3 unchanged" in again.stderr, again.stderr
    assert at_pc(made, home, "ann", "check").returncode in (0, 1)


def test_a_disk_that_is_away_is_so_for_whoever_looked(shared, tmp_path):
    """Ben's scan finds nothing of the disk: his files are away, Ann's word on hers stands."""
    made, home = shared
    assert at_pc(made, home, "ben", "scan", home / "disk" / "ann").returncode == 0
    os.rename(home / "disk", tmp_path / "disk")
    try:
        at_pc(made, home, "ben", "scan")
    finally:
        os.rename(tmp_path / "disk", home / "disk")
    with made.sql("keeper") as keeper:
        rows = keeper.execute("SELECT login, missing FROM mount").fetchall()
    assert dict(rows) == {made.login("ann"): False, made.login("ben"): True}


def test_a_name_is_its_makers(shared):
    """Another is told whose it is and whom to ask; whoever made it and the keeper rename it."""
    made, home = shared
    done = at_pc(made, home, "ben", "roots", "rename", "ann", "shed")
    assert done.returncode == 3, done.stderr
    assert f"ann was named by {made.login('ann')}" in done.stderr
    assert f"Ask {made.login('ann')} or the keeper" in done.stderr
    assert at_pc(made, home, "ann", "roots", "rename", "ann", "shed").returncode == 0
    assert at_pc(made, home, "keeper", "roots", "rename", "shed", "hut").returncode == 0
    assert list(roots_of(made, home)) == ["hut"]


def test_a_reader_sees_the_places_of_the_machine_they_sit_at(shared):
    """Who may not say where a folder is goes by what others say of the same machine."""
    made, home = shared
    shown = at_pc(made, home, "rea", "frames", "--json").stdout
    assert str(home / "disk" / "ann" / "light_0000.fits") in shown
    assert at_pc(made, home, "rea", "roots", "map", "ann", home / "disk" / "ann").returncode == 3


def test_a_root_without_files_can_be_forgotten(shared, tmp_path):
    """By whoever made it; not while files are known, nor while others have it."""
    made, home = shared
    (tmp_path / "typo").mkdir()
    assert at_pc(made, home, "ben", "scan", tmp_path / "typo").returncode == 0
    assert at_pc(made, home, "ann", "roots", "forget", "typo").returncode == 3
    assert at_pc(made, home, "ben", "roots", "forget", "ann").returncode == 3
    done = at_pc(made, home, "ann", "roots", "forget", "ann")
    assert done.returncode == 2 and "2 files of ann are known" in done.stderr
    assert at_pc(made, home, "ben", "roots", "forget", "typo").returncode == 0
    assert list(roots_of(made, home)) == ["ann"]


def test_copies_of_anothers_frames_are_refused_by_name(shared, tmp_path):
    """Files of pixels that Ann stored: whose rig they are of is said, and nothing is stored."""
    made, home = shared
    for path in (home / "disk" / "ann").iterdir():  # with times of their own
        (tmp_path / "copies").mkdir(exist_ok=True)
        (tmp_path / "copies" / path.name).write_bytes(path.read_bytes())
    done = at_pc(made, home, "ben", "scan", tmp_path / "copies")
    assert done.returncode == 1, done.stderr
    mine = made.login("ann"), made.login("ben")
    told = f"the rig is {ANN} + MonoCam 9, which {mine[0]} keeps, not {mine[1]}"
    assert done.stderr.count(told) == 2, done.stderr


def test_of_others_words_those_count_that_found_something(shared, tmp_path):
    """Ben has the share at a second place and it is away; Rea goes by Ann's, where it is."""
    made, home = shared
    (tmp_path / "share").symlink_to(home / "disk")
    place = tmp_path / "share" / "ann"
    assert at_pc(made, home, "ben", "roots", "map", "ann", place).returncode == 0
    with made.sql("keeper") as keeper:
        for away in (made.login("ann"), made.login("ben")):
            keeper.execute("UPDATE mount SET missing = (login = %s)", [away])
            path = roots_of(made, home, "rea")["ann"]["path"]
            assert path == (str(place) if away == made.login("ann") else str(home / "disk" / "ann"))
