"""`runlog guide`: every topic is in the package, and every command in it works."""

import json
import os
import re
import shlex
import shutil
import subprocess

import psycopg
import pytest

from runlog.cli import COMMANDS
from runlog.cli.guide import TOPICS, text_of
from tests.servers import USER, program
from tests.tools import here, noise, runlog, write_frame

LINES = [
    (topic, line.strip())
    for topic in TOPICS
    if topic not in ("club", "cluster")  # of a server: below, and tests/ingest/test_cluster.py
    for line in re.findall(r"^    (runlog .*)$", text_of(topic), re.MULTILINE)
]


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """Scan two nights of a target that the guide names."""
    home = tmp_path_factory.mktemp("guide")
    for number in range(4):
        start = f"2026-10-{8 + number // 2:02}T20:{number}0:00"
        cards = {"DATE__OBS": start, "OBJECT": "M33", "FILTER": "L"}
        write_frame(home / "nights" / f"light_{number}.fits", noise(number), **cards)
    assert here(home, "scan", home / "nights").returncode == 0
    return home


def key_of(home):
    """Give the key that the table of frames shows first."""
    return here(home, "frames").stdout.splitlines()[2].split()[0]


@pytest.mark.parametrize(("topic", "line"), LINES)
def test_each_command_of_the_guide_works(home, topic, line):
    """Guards a guide that has gone stale: an option renamed, a word no longer known."""
    words = [key_of(home) if word == "KEY" else word for word in shlex.split(line)[1:]]
    done = here(home, *words)
    assert done.returncode == 0, (topic, line, done.stderr)


def test_the_way_to_a_shared_database(home, server, tmp_path):
    """Every line of `guide club` as typed, from an empty server to another person's first night."""
    for name in ("createuser", "createdb", "dropuser"):
        assert program(name), f"{name} is not installed beside the server"
    frames = tmp_path / "frames"
    write_frame(frames / "light_9.fits", noise(9), DATE__OBS="2026-10-12T20:00:00", OBJECT="M33")
    where = {"PGHOST": str(server.folder), "PGUSER": USER, **os.environ}
    url, env = server.url("nights").replace(f"{USER}@", "imaging@"), {"RUNLOG_MACHINE": "first"}
    parts = text_of("club").split("## ")[1:]
    for part in parts:
        if part.startswith("On another machine"):
            shutil.copytree(home / "nights", tmp_path / "share")
            env = {"RUNLOG_MACHINE": "second"}
        for line in re.findall(r"^    (\w+ .*)$", part, re.MULTILINE):
            login = re.search(r"postgresql\+psycopg://(\w+)@[^\"]*", line)
            line = line.replace(login[0], url.replace("imaging", login[1])) if login else line
            replaced = (("map NAME", "map nights"), ("--rig NAME", "--rig Ladybird"))
            for name, value in (*replaced, ("--pwprompt ", "")):
                line = line.replace(name, value)
            folder = tmp_path / "share" if "map" in line else frames
            words = shlex.split(line.replace("FOLDER", str(folder)))
            if words[0] == "export":
                env["RUNLOG_DB"] = words[1].partition("=")[2]
            elif words[0] == "runlog":
                done = here(home, *words[1:], env=env)
                assert done.returncode == 0, (line, done.stderr)
            else:
                subprocess.run([program(words[0]), *words[1:]], env=where, check=True)
    try:
        nights = json.loads(here(home, "nights", "--json", env=env).stdout)["rows"]
        assert [(n["night"], n["frames"]) for n in nights] == [
            ("2026-10-12", 1), ("2026-10-09", 2), ("2026-10-08", 2),
        ]  # fmt: skip
        roots = json.loads(here(home, "roots", "--json", env=env).stdout)["rows"]
        where = {root["name"]: root["path"] for root in roots}
        with psycopg.connect(host=str(server.folder), dbname="nights", user="ann") as ann:
            assert ann.execute(
                "SELECT who, owner, value FROM goal WHERE owner IS NOT NULL"
            ).fetchall() == [("ann", "ann", 12.0)]
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                ann.execute("DELETE FROM frame")
        assert where == {"nights": str(tmp_path / "share"), "frames": str(frames)}
    finally:
        server.run("DROP DATABASE nights WITH (FORCE)")
        for login in ("ann", "ben", "imaging"):
            server.run(f"DROP ROLE IF EXISTS {login}")


def test_topics_are_named_and_shown(home):
    """As a subprocess at 60 columns: the list, a topic that fits, and a near one for a slip."""
    assert [x.split()[0] for x in runlog(home, "guide").stdout.splitlines()] == list(TOPICS)
    shown = runlog(home, "guide", "hours", env={"COLUMNS": "60"}).stdout
    assert "runlog totals --by night" in shown
    assert max(map(len, shown.splitlines())) <= 60
    wrong = runlog(home, "guide", "hour")
    assert wrong.returncode == 2 and "Did you mean hours?" in wrong.stderr


def test_every_topic_is_text_and_all_are_listed():
    """Guards a file that no list names, and a command that the guide spells wrongly."""
    from importlib.resources import files

    there = {f.name.removesuffix(".md") for f in (files("runlog") / "guide").iterdir()
             if f.name.endswith(".md")}  # fmt: skip
    assert there == set(TOPICS)
    for topic in TOPICS:
        for name in re.findall(r"`runlog ([a-z]+)", text_of(topic)):
            assert name in COMMANDS, (topic, name)
