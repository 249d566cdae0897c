"""The wheel holds what it must and nothing else, and works where nothing else is."""

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from tests.tools import ROOT, environment, write_run

LEFT_OUT = shutil.ignore_patterns(
    ".git", "__pycache__", ".*_cache", ".hypothesis", ".benchmarks", ".venv", "demo"
)


def sources():
    """List the files a wheel should hold, as they stand in the checkout."""
    inside = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "runlog").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    for folder in ("migrations", "samples/maker"):
        for path in (ROOT / folder).rglob("*"):
            if path.is_file() and "__pycache__" not in path.parts:
                inside.add(f"runlog/{path.relative_to(ROOT).as_posix()}")
    return inside


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """Build the wheel from a copy of the checkout."""
    base = tmp_path_factory.mktemp("wheel")
    shutil.copytree(ROOT, base / "src", ignore=LEFT_OUT)
    line = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "-o", base / "out", "."]
    subprocess.run(line, cwd=base / "src", check=True, capture_output=True, timeout=120)
    (found,) = (base / "out").glob("*.whl")
    return found


def test_contents(wheel):
    """The package, its migrations and the maker of samples, and nothing else."""
    names = {n for n in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in n}
    assert names == sources()
    assert "runlog/migrations/env.py" in names
    assert any(n.startswith("runlog/migrations/versions/0001_") for n in names)
    assert "runlog/samples/maker/make.py" in names
    notes = {n.split("/", 1)[1] for n in zipfile.ZipFile(wheel).namelist()} - names
    assert "licenses/LICENSE" in notes


def run_from(target: Path, home: Path, *words: str) -> "subprocess.CompletedProcess[str]":
    """Run runlog as installed in a folder, with the checkout out of reach."""
    env = environment(home, PYTHONPATH=str(target), RUNLOG_DB=str(home / "night.sqlite"))
    line = [sys.executable, "-m", "runlog", *words]
    return subprocess.run(line, env=env, cwd=home, capture_output=True, text=True, timeout=120)


def test_installed_from_the_wheel(wheel, tmp_path):
    """Installed elsewhere it migrates, scans and finds its maker of samples."""
    target = tmp_path / "site"
    line = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-index"]
    subprocess.run([*line, "--target", target, wheel], check=True, timeout=120)
    write_run(tmp_path / "frames", 3)
    assert "runlog" in run_from(target, tmp_path, "--version").stdout
    done = run_from(target, tmp_path, "scan", str(tmp_path / "frames"))
    assert done.returncode == 0, done.stderr
    assert "3 new" in done.stderr
    code = (
        "import runlog, runlog.actions.demo as d; print(runlog.__file__, d.load_maker().__file__)"
    )
    env = environment(tmp_path, PYTHONPATH=str(target))
    found = subprocess.run(
        [sys.executable, "-c", code], env=env, cwd=tmp_path, capture_output=True, text=True
    )
    assert all(path.startswith(os.fspath(target)) for path in found.stdout.split()), found.stderr


def test_from_the_checkout(tmp_path):
    """The checkout itself, as an editable install sees it, migrates and scans."""
    write_run(tmp_path / "frames", 3)
    done = run_from(ROOT, tmp_path, "scan", str(tmp_path / "frames"))
    assert done.returncode == 0, done.stderr
