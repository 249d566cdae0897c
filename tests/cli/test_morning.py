"""What a person reads in the morning: the night, one frame explained, limits proposed."""

import json
import re
import tomllib

import pytest

from runlog.core.grading.faults import settings
from samples.maker.quick import make_run
from tests.tools import here, noise, runlog_json, write_frame

SOFT, TRAILED = (5, 6, 7), (9, 10)


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """Scan a run of 14 frames: three in poor seeing, two trailed."""
    home = tmp_path_factory.mktemp("morning")
    spoiled = {i: {"fault": "soft"} for i in SOFT} | {i: {"fault": "trailed"} for i in TRAILED}
    make_run(home / "frames", frames=14, seed=9, size=(420, 560), overrides=spoiled)
    assert here(home, "scan", home / "frames").returncode == 0
    return home


def paths(home, fault):
    """List the frames with one fault."""
    return [row["path"] for row in runlog_json(home, "frames", "--fault", fault)["rows"]]


def test_the_night_says_what_was_lost_to_what(home):
    """Every minute lost stands under the first fault of its frame, and all of them are there."""
    body = runlog_json(home, "night")
    lost = body["lost"]
    assert set(lost) == {"soft", "trailed"}
    added = body["added"]
    assert sum(lost.values()) == sum(row["doubtful_s"] + row["rejected_s"] for row in added)
    shown = here(home, "night").stdout
    assert re.search(r"not kept: \d+ min soft, \d+ min trailed", shown)
    assert re.search(r"poor seeing \d\d:\d\d–\d\d:\d\d UTC \(3 frames, \d+ min not kept\)", shown)
    assert "at the reference frame's depth" in shown


def test_a_moment_has_a_time_and_a_stretch_has_frames(home):
    """A trail lasts over frames and costs minutes; every line begins with its time."""
    shown = here(home, "night").stdout
    happened = shown.split("What happened (UTC)\n")[1].split("\n\n")[0]
    assert re.match(
        r"  \d\d:\d\d–\d\d:\d\d  trailed stars: .* \(2 frames, \d+ min not kept\)", happened
    )


def test_an_overridden_symptom_is_said_in_plain_words(home):
    """A trail widens stars: the explanation shows the width, and that it is not counted."""
    frame = paths(home, "trailed")[0]
    body = json.loads(here(home, "regrade", "--explain", frame, "--json").stdout)
    width = next(row for row in body["rows"] if row["setting"] == "defocused_ratio"
                 or row["setting"] == "soft_ratio")  # fmt: skip
    assert width["verdict"] in ("doubtful", "reject")
    assert (width["overridden_by"], bool(width["overridden_why"])) == ("trailed", True)
    counts = {r["fault"] for r in body["rows"] if r["overridden_by"] is None
              and r["verdict"] in ("doubtful", "reject")}  # fmt: skip
    assert counts == {"trailed"}
    shown = here(home, "regrade", "--explain", frame).stdout
    assert "overridden by trailed" in shown
    assert "Not counted: a trail makes every star wide" in shown


def test_what_was_found_clean_is_not_worded_as_a_fault(home):
    """A frame without halos is not said to have them, nor one with hundreds of stars only those."""
    kept = runlog_json(home, "frames", "--grade", "keep")["rows"][0]["path"]
    rows = json.loads(here(home, "regrade", "--explain", kept, "--json").stdout)["rows"]
    said = {row["what"]: row["evidence"] for row in rows}
    assert said["half-flux radius over FWHM"].startswith("no halos")
    assert not said["stars"].startswith("only")
    assert said["trails across the frame"] == "no satellite or aircraft trail"


def test_every_limit_is_shown_with_its_reason(home):
    """What `policy show` prints is the config file's own form, each default with its reason."""
    shown = here(home, "policy", "show").stdout
    assert set(tomllib.loads(shown)["policy"]) == {
        name for name, setting in settings().items() if setting.default is not None
    }
    flat = " ".join(line.removeprefix("# ") for line in shown.splitlines())
    assert all(setting.why in flat for setting in settings().values())
    assert "# widest_fwhm_px is not set" in shown


def test_proposed_limits_come_with_their_evidence(home):
    """Marks that keep soft frames propose a milder limit for them, and say up to which value
    frames were kept and that none was refused; nothing changes by itself."""
    before = here(home, "policy", "show").stdout
    soft = paths(home, "soft")
    kept = [row["path"] for row in runlog_json(home, "frames", "--grade", "keep")["rows"]]
    assert here(home, "mark", *soft, *kept, "keep").returncode == 0
    (found,) = [s for s in runlog_json(home, "policy", "suggest")["rows"]
                if s["setting"] == "soft_ratio"]  # fmt: skip
    assert found["agree_then"] > found["agree_now"]
    assert found["better"]["doubtful"] > found["now"]["doubtful"]
    assert "you kept go up to 1." in found["evidence"]
    assert "nothing bounds it" in found["evidence"]
    assert found["evidence"] in here(home, "policy", "suggest").stdout
    assert here(home, "policy", "show").stdout == before
    assert here(home, "mark", "auto", *soft, *kept).returncode == 0  # either order will do
    refused = here(home, "mark", *soft, "kepe")
    assert refused.returncode == 2 and "keep, doubtful, reject or auto" in refused.stderr


def test_a_limit_of_one_number_is_explained_too(home):
    """The fewest stars of any frame stand in the column of its limit."""
    (path, *_) = paths(home, "soft")
    rows = runlog_json(home, "regrade", "--explain", path)["rows"]
    (least,) = [r["reject"] for r in rows if r["setting"] == "few_stars_least"]
    assert least == 5


def test_a_night_of_flats_has_no_light_frames(tmp_path):
    """No hours, no shutter and no "0 light frames: none" where no light was taken."""
    write_frame(tmp_path / "frames" / "flat.fits", noise(1), IMAGETYP="Flat Frame")
    assert here(tmp_path, "scan", tmp_path / "frames").returncode == 0
    shown = here(tmp_path, "night", "2026-10-09").stdout
    assert "no light frames\nalso: 1 flat\n" in shown
    assert "kept of" not in shown
    assert "because there are no lights" in shown


def test_copies_without_a_name_are_said_to_be_copies(tmp_path):
    """A rig's night that holds only copies of another rig's frames has no lights of its own."""
    write_frame(tmp_path / "frames" / "a.fits", noise(1))
    nameless = {"TELESCOP": None, "INSTRUME": None}
    write_frame(tmp_path / "frames" / "b.fits", noise(2), **nameless)
    assert here(tmp_path, "scan", tmp_path / "frames").returncode == 0
    shown = here(tmp_path, "night", "2026-10-09").stdout
    assert "no light frames, only copies of exposures that count elsewhere" in shown


def test_an_unknown_length_opens_no_shutter(tmp_path):
    """Guards "shutter open 0% of that time" of frames whose headers give no length."""
    write_frame(tmp_path / "frames" / "a.fits", noise(1), EXPTIME=None)
    assert "has no exposure time" in here(tmp_path, "scan", tmp_path / "frames").stderr
    shown = here(tmp_path, "night", "2026-10-09").stdout
    assert re.search(r"frames from \d\d:\d\d to \d\d:\d\d UTC\n", shown)
    assert "shutter open" not in shown
