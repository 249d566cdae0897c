"""The sample nights on a server: every listing byte for byte what it is from a file."""

import json
import os
import re
import shlex
from datetime import UTC, datetime, timedelta
from unittest import mock

import pytest

from tests.cli.test_schema import WRITTEN_BY
from tests.servers import USER
from tests.tools import DATABASE_VARIABLE, ROOT, here

NIGHTS = ROOT / "samples" / "night"
SAID = """mark {first} keep --note 'a good one'
goal 'M 33' L 5
note cleaned --date 2026-10-12
correct filter R {first}
correct --undo
targets rename 'M 33' 'Spiral field'
targets undo"""
MORE = """totals --by night|totals --more
totals --rig ladybird|night 2026-10-09|calibration --missing
frames --fault unreadable|frames --grade reject|regrade --explain {first}|trends|forecast
tonight --date 2026-10-20|ahead --date 2026-10-20|alignment|focus"""
NOW = datetime.now(UTC)
# When somebody said something, which was not at once in all of them: about now, by any clock.
ABOUT_NOW = "|".join(f"{NOW + timedelta(days=days):%Y-%m-%d}" for days in (-1, 0, 1))
NAMED = re.compile(r"(?<=\"database\": )\"\w*(\.sqlite)?\"")  # in a report
SAID_AT = re.compile(rf"(?:{ABOUT_NOW})([T ]\d\d:\d\d(:[\d.]+)?Z?)?")


@pytest.fixture(scope="module")
def told(tmp_path_factory, server, migrated):
    """Scan into a file and into a server, and copy the file to another; give homes and names."""
    home = tmp_path_factory.mktemp("samples")
    first = str(NIGHTS / "2026-10-09" / "lights" / "M33_L_300s_0001.fits.fz")
    with server.database(migrated) as scanned, server.database() as copied:
        for database in ("", scanned):
            # Who says something is the login there; in a file it is who is at this machine.
            with mock.patch.dict(os.environ, {DATABASE_VARIABLE: database, "LOGNAME": USER}):
                assert here(home, "scan", NIGHTS).returncode == 1  # some are damaged
                for words in SAID.format(first=first).splitlines():
                    done = here(home, *shlex.split(words))
                    assert done.returncode == 0, done.stderr
        done = here(home, "copy", copied)
        assert done.returncode == 0, done.stderr
        yield home, first, {"scanned there": scanned, "copied there": copied}


def said(home, database, words, form):
    """Give what a listing says, but for when something was told and what the database is called."""
    with mock.patch.dict(os.environ, {DATABASE_VARIABLE: database}):
        done = here(home, *words, *form)
    assert "Traceback" not in done.stderr
    assert done.returncode in (0, 2), done.stderr  # 2: it has no such form
    out = NAMED.sub("", SAID_AT.sub("", done.stdout)).replace(
        f"{USER}, first recorded", "first recorded"
    )
    return done.returncode, out, done.stderr


LISTINGS = [*WRITTEN_BY.values(), *MORE.replace("\n", "|").split("|")]


@pytest.mark.parametrize("words", [words for words in LISTINGS if words != "check"])
def test_a_listing_is_byte_for_byte_that_of_the_file(told, words):
    """JSON, CSV and the plain table from a server's own scan; JSON, their rows, from a copy."""
    home, first, databases = told
    words = words.replace("frames/light_0.fits", first).replace("light_0.fits", first)
    line = shlex.split(words.format(first=first))
    for form in (["--json"], ["--csv"], []):
        wanted = said(home, "", line, form)
        for name, database in databases.items():
            if form == ["--json"] or name == "scanned there":
                assert said(home, database, line, form) == wanted, (name, form)


def test_check_finds_the_same(told):
    """All but what it says of the database itself, which is of another kind."""
    home, _, databases = told
    found = []
    for database in ("", *databases.values()):
        code, body, _ = said(home, database, ["check"], ["--json"])
        assert code == 0
        found.append([row for row in json.loads(body)["rows"] if row["about"] != "database"])
    assert found[0]
    assert found[1] == found[0]
    assert found[2] == found[0]
