"""`runlog scan --watch` as a person runs it: the real command, real files, real signals."""

import json
import os
import shlex
import signal
import stat
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import jsonschema
import pytest

from runlog.core.schema.write import schema_of
from samples.maker.quick import make_run
from tests.killing import orphans
from tests.tools import content, here, scan_into
from tests.watched import Watching, graded, put, where_it_is_midnight

STEP_S = 317


@pytest.fixture(scope="module")
def drawn(tmp_path_factory) -> list[Path]:
    """Nine frames of the last hour, the last four trailed."""
    folder = tmp_path_factory.mktemp("drawn")
    begun = datetime.now(UTC).replace(microsecond=0) - timedelta(seconds=9 * STEP_S + 60)
    spoilt = {i: {"fault": "trailed"} for i in range(5, 9)}
    place = where_it_is_midnight()
    make_run(folder, 9, size=(300, 400), start_utc=begun, cards=place, overrides=spoilt)
    return sorted(folder.iterdir())


def test_json_lines_a_hook_and_the_end(tmp_path, drawn):
    """Frames and warnings as their schema says; the hook gets warnings alone; Ctrl-C is exit 0."""
    script = tmp_path / "hook script.py"
    script.write_text(
        f"#!{sys.executable}\nimport os, sys\n"
        f"open({str(tmp_path / 'heard')!r}, 'a').write("
        "os.environ['RUNLOG_EVENT'] + ' ' + sys.stdin.read())\n"
    )
    script.chmod(script.stat().st_mode | stat.S_IXUSR)
    with Watching(tmp_path, "--json", "--hook", shlex.quote(str(script))) as watching:
        for number, path in enumerate(drawn):
            put(tmp_path, [path])
            watching.until(lambda: len(graded(watching)) > number)  # noqa: B023
        assert watching.end() == 0
    events = watching.events()
    for event in events:
        jsonschema.validate(event, schema_of("watch"))
    assert [os.path.basename(e["path"]) for e in graded(watching)] == [p.name for p in drawn]
    assert events[-1]["kind"] == "end" and events[-1]["frames"] == len(drawn)
    heard = [line.split(" ", 1) for line in (tmp_path / "heard").read_text().splitlines()]
    told = [(e["kind"], e) for e in events if e["kind"] != "frame"]
    assert [(kind, json.loads(text)) for kind, text in heard] == told
    assert ("alarm", "trailed") in [(e["kind"], e["cause"]) for e in events]
    assert orphans(watching.mark) == []
    scan_into(tmp_path / "plain.sqlite", tmp_path / "frames")
    assert content(tmp_path / "plain.sqlite") == content(tmp_path / "night.sqlite")


def test_killed_and_begun_again(tmp_path, drawn):
    """kill -9 in the midst: nothing is lost, told twice or warned of twice; no process is left."""
    with Watching(tmp_path, "--json") as first:
        put(tmp_path, drawn[:8])
        first.until(lambda: len(graded(first)) >= 8)
        os.killpg(first.process.pid, signal.SIGKILL)
    put(tmp_path, drawn[8:])
    with Watching(tmp_path, "--json", after=first.said()) as second:
        second.until(lambda: len(graded(second)) >= 9)
        assert second.end(signal.SIGTERM) == 0
    paths = [e["path"] for e in graded(second)]
    assert sorted(map(os.path.basename, paths)) == [p.name for p in drawn]
    alarms = [e["cause"] for e in second.events() if e["kind"] == "alarm"]
    assert sorted(set(alarms)) == sorted(alarms) and "trailed" in alarms
    assert orphans(first.mark) == orphans(second.mark) == []


@pytest.mark.parametrize(
    ("hook", "said"),
    [
        ("/no/such/command", "cannot be started"),
        ("sh -c 'exit 3'", "failed (exit code 3)"),
    ],
)
def test_a_hook_that_fails_is_said_once(tmp_path, hook, said):
    """It is no failure of the watch, which goes on and ends well."""
    with Watching(tmp_path, "--hook", hook) as watching:
        assert watching.end() == 0
    assert watching.said().count(said) == 1


def test_names_in_headers_reach_no_shell_and_no_terminal(tmp_path, drawn):
    """A target named like a command is data: nothing runs, nothing is coloured."""
    from astropy.io import fits

    with Watching(tmp_path, "--hook", "cat") as watching:
        for number, path in enumerate(drawn[:2]):
            with fits.open(path) as frame:
                frame[0].header["OBJECT"] = f"$(touch {tmp_path}/pwned);`id`"
                frame.writeto(tmp_path / "frames" / f"a;b$(id)\x1b[31m{number}.fits")
        watching.until(lambda: len(watching.lines()) >= 2)
        assert watching.end() == 0
    assert not (tmp_path / "pwned").exists()
    assert "\x1b" not in "".join(watching.lines()) + watching.said()


@pytest.mark.parametrize(
    "words",
    ["--every 5", "--hook true", "--watch --remeasure", "--watch --workers 2",
     "--watch --hook ''", "--watch --hook '\"'", "--watch --every 0"],
)  # fmt: skip
def test_words_that_do_not_fit(tmp_path, words):
    """Options of a watch go with --watch, and the other way round; a hook must be a command."""
    (tmp_path / "frames").mkdir()
    done = here(tmp_path, "scan", "frames", *shlex.split(words))
    assert done.returncode == 2 and not (tmp_path / "night.sqlite").exists()


def test_a_hook_that_hangs_is_ended_and_holds_up_nothing(tmp_path):
    """In this process, with a shorter limit: it and what it started are killed, said once."""
    from runlog.actions.hook import Hook

    said: list[str] = []
    marker = tmp_path / "survived"
    hook = Hook(["sh", "-c", f"sleep 2; touch {marker}"], said.append, limit_s=0.3)
    began = time.monotonic()
    for _ in range(200):
        hook.call("alarm", "{}")
    assert time.monotonic() - began < 0.25
    time.sleep(0.9)
    hook._calls.queue.clear()
    hook.close()
    assert sum("did not end within" in words for words in said) == 1
    assert sum("wait for it" in words for words in said) == 1
    time.sleep(1.8)
    assert not marker.exists()


@pytest.mark.parametrize("interrupted", [False, True])
def test_a_watch_that_is_ended_while_it_catches_up_says_not_that_it_watches(capsys, interrupted):
    """Guards "Ctrl-C ends it" after Ctrl-C."""
    from runlog.actions.scan_report import ScanReport
    from runlog.cli.watch import _Speaker
    from runlog.core.times import IN_UTC

    _Speaker(IN_UTC, None, as_json=False).scanned(ScanReport(interrupted=interrupted))
    assert ("Watching" in capsys.readouterr().err) is not interrupted


def test_a_bell_rings_on_a_terminal_alone(tmp_path):
    """Warnings ring where a person sits; in a file there is no bell."""
    script = (
        "from runlog.cli.watch import _Speaker\n"
        "from runlog.core.times import IN_UTC\n"
        "from runlog.actions.watch_events import Event, EventKind\n"
        "from datetime import datetime, UTC\n"
        "_Speaker(IN_UTC, None, as_json=False).tell("
        "Event(datetime(2026,10,9,tzinfo=UTC), EventKind.ALARM, 'cloud'))\n"
    )
    piped = subprocess.run([sys.executable, "-c", script], capture_output=True, check=True)
    assert piped.stderr == b"00:00:00 cloud\n"
    leader, follower = os.openpty()
    subprocess.run([sys.executable, "-c", script], stderr=follower, check=True)
    assert os.read(leader, 100).startswith(b"\a00:00:00 cloud")
    os.close(leader)
    os.close(follower)
