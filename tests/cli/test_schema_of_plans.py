"""The schemas of plans and of the rig's listings; the jsonschema library judges real output."""

import csv
import io
import json
import shlex

import jsonschema
import pytest

from runlog.core.schema.sheets import SHEETS
from runlog.core.schema.write import listed
from runlog.store.engine import open_engine
from runlog.store.migrate import ready
from tests.cli.test_alignment import turning
from tests.cli.test_focus import EVENINGS, swept
from tests.measured import Night, outcomes, put
from tests.tools import ROOT, here, runlog

PLANS = ("tonight", "ahead", "focus", "alignment", "trends")


@pytest.fixture(scope="module")
def samples(tmp_path_factory):
    """Scan and measure the sample nights."""
    home = tmp_path_factory.mktemp("samples")
    assert here(home, "scan", ROOT / "samples" / "night").returncode == 1  # some are damaged
    return home


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """Make a season with sweeps, a turning field, 24 nights and goals of each kind."""
    home = tmp_path_factory.mktemp("season")
    engine = ready(open_engine(str(home / "night.sqlite")))
    for number, (evening, warm) in enumerate(EVENINGS):
        put(engine, swept(evening, warm, seed=number))
        put(engine, swept(evening, warm, name="Ha", seed=50 + number))
    for day in range(1, 25):
        put(engine, outcomes(Night(f"2026-08-{day:02d}", 9, day, eccentricity=0.2 + day / 100)))
    for evening in ("2026-11-14", "2026-11-15"):
        put(engine, turning(evening, 14.0, -9.0))
    engine.dispose()
    for line in ("M33 L 400", "M33 Ha 6", "'Nobody knows it' L 3", "M33 R --ratio L=0.5"):
        here(home, "goal", *shlex.split(line))
    return home


def checked(home, name, line, run=here):
    """Validate what a line writes with --json by the schema of its listing."""
    done = run(home, *shlex.split(line), "--json")
    assert done.returncode == 0, done.stderr
    schema = json.loads(here(home, "schema", name).stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    body = json.loads(done.stdout)
    jsonschema.Draft202012Validator(schema).validate(body)
    assert body["schema"] == schema["title"] == listed()[name]
    assert body["rows"], line
    return body


@pytest.mark.parametrize("name", PLANS)
def test_sample_nights_are_as_the_schema_says(samples, name):
    """Guards schema and listing on pixels, by the real command, without any goal."""
    checked(samples, name, name, run=runlog)


LINES = """tonight --date 2026-11-20|tonight --date 2026-11-20 --all|tonight --date 2026-06-21
ahead --date 2026-11-20|ahead --date 2026-11-20 --nights 5 M33|focus|focus --filter L|alignment
alignment --mirrored yes|trends|trends --what eccentricity"""


@pytest.mark.parametrize("line", LINES.replace("\n", "|").split("|"))
def test_a_season_is_as_the_schema_says(season, line):
    """Guards the same with goals, sweeps, an axis that is off and series long enough to judge."""
    checked(season, line.split(" ")[0], line)


def test_values_are_there_to_be_checked(season):
    """Guards the season above: where all were null, a schema would pass anything."""
    seen = {
        name: [row for line in LINES.replace("\n", "|").split("|") if line.startswith(name)
               for row in checked(season, name, line)["rows"]]
        for name in ("focus", "alignment", "trends")
    }  # fmt: skip
    for name, rows in seen.items():
        never = {key for key in rows[0] if all(row[key] is None for row in rows)}
        # No star of the season drifts: tests of alignment itself have nights that do.
        drift = {"drift_dec_arcsec_h", "drift_reason"} if name == "alignment" else set()
        assert never <= {"after", "setting", "reason"} | drift, (name, never)


@pytest.mark.parametrize("name", PLANS)
def test_another_key_or_type_is_refused(season, name):
    """Guards a schema that lets everything pass, in rows and beside them."""
    validator = jsonschema.Draft202012Validator(json.loads(here(season, "schema", name).stdout))
    line = f"{name} --date 2026-11-20" if name in ("tonight", "ahead") else name
    body = json.loads(here(season, *line.split(), "--json").stdout)
    assert validator.is_valid(body)
    key = next(k for k, value in body["rows"][0].items() if isinstance(value, str))
    for wrong in ({key: 7}, {"invented": 1}):
        assert not validator.is_valid(body | {"rows": [body["rows"][0] | wrong]})
    assert not validator.is_valid(body | {"invented": 1})
    gone = {k: v for k, v in body["rows"][0].items() if k != key}
    assert not validator.is_valid(body | {"rows": [gone]})


@pytest.mark.parametrize("name", PLANS)
def test_csv_has_keys_of_the_schema(season, name):
    """Guards a CSV with columns of its own; that of a night's plan is the running order."""
    line = [name, "--date", "2026-11-20"] if name in ("tonight", "ahead") else [name]
    heading = next(csv.reader(io.StringIO(here(season, *line, "--csv").stdout)))
    part = "tonight.block" if name == "tonight" else f"{name}.row"
    assert heading == list(SHEETS[part].keys)


def test_parts_that_are_named_are_there():
    """Guards a sheet that leads nowhere, and one that nothing leads to."""
    named = {key.part for sheet in SHEETS.values() for key in sheet.keys.values() if key.part}
    assert named == {name for name, sheet in SHEETS.items() if sheet.schema is None}
