"""What a rig is graded by lies in the database: machines with other config files grade alike."""

import json
from pathlib import Path

import pytest

from runlog.config import as_sections, graded_by, grading_of, load_settings
from runlog.core.grading.faults.clipped import RATIO as CLIPPED_RATIO
from runlog.core.grading.faults.soft import RATIO as SOFT_RATIO
from runlog.core.grading.policy import Limit
from tests.tools import here, runlog_json, write_run

STRICT = "[policy]\nfew_stars_least = 4\nfew_stars_share = [0.5, 0.2]\n"
MILD = "[policy]\nfew_stars_share = [0.3, 0.3]\n"  # the default, said

on_both = [pytest.mark.both_databases, pytest.mark.usefixtures("database")]


def machine(home: Path, name: str, text: str) -> dict[str, str]:
    """Give the environment of a machine with a config file of its own."""
    config = home / f"{name}.toml"
    config.write_text(text)
    return {"RUNLOG_CONFIG": str(config)}


class TestTwoMachines:
    """One rig, two config files."""

    pytestmark = on_both

    def test_the_first_is_in_force(self, tmp_path: Path) -> None:
        """The file of the first scan seeds the set; another is told what differs and the cure."""
        one, other = machine(tmp_path, "one", STRICT), machine(tmp_path, "other", MILD)
        write_run(tmp_path / "a", 3)
        write_run(tmp_path / "b", 3, first=3)
        first = here(tmp_path, "scan", tmp_path / "a", env=one)
        assert "otherwise" not in first.stderr
        grades = runlog_json(tmp_path, "frames")["rows"]
        loud = here(tmp_path, "scan", tmp_path / "b", env=other)
        assert loud.returncode == 0
        assert "other.toml says otherwise than what frames are graded by" in loud.stderr
        told = "few_stars_share is [0.3, 0.3] in the file; frames are graded by [0.5, 0.2] (since"
        assert told in loud.stderr
        assert "runlog policy adopt" in loud.stderr
        after = runlog_json(tmp_path, "frames")["rows"]
        assert [r["evidence"] for r in after[:3]] == [r["evidence"] for r in grades]
        assert here(tmp_path, "totals", env=one).stderr == ""

    def test_adopting_is_written_down(self, tmp_path: Path) -> None:
        """A file that is adopted is in force for all; who said so and when stays."""
        one, other = machine(tmp_path, "one", STRICT), machine(tmp_path, "other", MILD)
        write_run(tmp_path / "a", 2)
        here(tmp_path, "scan", tmp_path / "a", env=one)
        done = here(tmp_path, "policy", "adopt", env=other)
        assert done.returncode == 0
        assert "is graded by" in done.stderr
        assert "otherwise" not in done.stderr
        assert "Nothing to do" in here(tmp_path, "policy", "adopt", env=other).stderr
        first, second = runlog_json(tmp_path, "policy", "history")["rows"]
        assert first["says"]["policy"] == {"few_stars_least": 4.0, "few_stars_share": [0.5, 0.2]}
        assert first["who"].removeprefix("runlog, ").startswith("first recorded, from ")
        assert second["says"]["policy"] == {"few_stars_share": [0.3, 0.3]}
        assert first["at_utc"] < second["at_utc"]
        assert "one.toml says otherwise" in here(tmp_path, "totals", env=one).stderr
        shown = json.loads(here(tmp_path, "policy", "show", "--rig", "mono", "--json").stdout)
        limits = {row["setting"]: (row["doubtful"], row["reject"]) for row in shown["rows"]}
        assert limits["few_stars_share"] == (0.3, 0.3)


def test_what_no_file_said_is_told_in_words(tmp_path: Path) -> None:
    """A rig first graded without a config file, and a file that gives a zero level: both said."""
    write_run(tmp_path / "a", 2)
    here(tmp_path, "scan", tmp_path / "a")
    zero = machine(tmp_path, "zero", "[camera]\npedestal_adu = 300\n")
    said = here(tmp_path, "totals", env=zero).stderr
    assert "pedestal_adu is 300 in the file; frames are graded without one (since" in said
    assert "first recorded, without a config file, on " in said


def test_a_file_that_says_nothing_differs_from_nothing(tmp_path: Path) -> None:
    """A machine without a config file is not told off, and grades by what is in force."""
    write_run(tmp_path / "a", 2)
    here(tmp_path, "scan", tmp_path / "a", env=machine(tmp_path, "one", STRICT))
    assert here(tmp_path, "totals").stderr == ""
    assert here(tmp_path, "regrade").stderr.startswith("Every night is graded")


def test_what_grades_goes_into_the_database_and_back(tmp_path: Path) -> None:
    """Limits (by filter too), site, zero level and form come back as the file said them."""
    config = tmp_path / "all.toml"
    config.write_text(
        "[site]\nlatitude_deg = 47.5\nlongitude_deg = 16\nelevation_m = 300\n"
        "[camera]\npedestal_adu = 500\n[depth]\nform = 'extended'\n"
        "[policy]\nsoft_ratio = [1.3, 2]\n[policy.'H-alpha']\nclipped_ratio = 4\n"
    )
    settings = load_settings(config)
    stored = json.loads(json.dumps(as_sections(grading_of(settings))))
    back = graded_by(load_settings(None), stored)
    assert (back.policy, back.depth_form) == (settings.policy, settings.depth_form)
    assert back.policy.for_filter("Ha")[CLIPPED_RATIO] == 4
    assert back.policy[SOFT_RATIO] == Limit(1.3, 2)
    assert (back.latitude_deg, back.longitude_deg, back.elevation_m) == (47.5, 16, 300)
    assert back.pedestal_adu == 500
