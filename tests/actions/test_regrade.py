"""Changed limits, explanations and suggestions on a real run of real files."""

import os

import pytest

from runlog.actions.frames import frame_rows
from runlog.actions.open import open_store
from runlog.actions.regrade import explain, regrade
from runlog.actions.rig_settings import adopt
from runlog.actions.scan import scan
from runlog.actions.settle import settle_all
from runlog.actions.suggest import compare
from runlog.config import Settings
from runlog.core.frame import FaultName, Grade
from runlog.core.grading.faults.cloud import TRANSPARENCY
from runlog.core.grading.policy import Limit, Policy
from runlog.errors import UsageError
from samples.maker.quick import make_run
from tests.tools import mark_settled

PLAIN = Settings(pedestal_adu=500.0)
STRICT = Settings(pedestal_adu=500.0, policy=Policy({"cloud_transparency": Limit(1.5, 1.4)}))


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Scan a run of 12 frames, three of them under cloud, into a database of its own."""
    base = tmp_path_factory.mktemp("regrade")
    cloudy = {i: {"fault": "cloud"} for i in (3, 4, 5)}
    make_run(base / "frames", frames=12, seed=5, size=(420, 560), overrides=cloudy)
    engine = open_store(str(base / "db.sqlite"), PLAIN)
    scan(engine, PLAIN, [os.fsencode(base / "frames")], workers=2)
    return engine


def graded_by(engine, settings):
    """Put settings in force and grade by them; gives how many runs were settled."""
    adopt(engine, settings, None, "tester")
    return settle_all(engine, settings)


def by_name(engine):
    """Give each light frame's grade by its file name."""
    return {os.path.basename(r["path"]): r["grade"] for r in frame_rows(engine)}


def test_cloud_is_found_on_real_frames(night):
    """Drawn frames with 35 % of the light are rejected for cloud, the others kept."""
    rows = frame_rows(night)
    assert [r["grade"] for r in rows].count("keep") == 9
    assert {tuple(r["faults"][:1]) for r in rows if r["grade"] != "keep"} == {("cloud",)}


def test_regrade_applies_limits_and_keeps_marks(night):
    """Other limits give other grades without reading a file; a person's mark stays."""
    rows = frame_rows(night)
    kept = next(r for r in rows if r["grade"] == "keep")
    before = by_name(night)
    mark_settled(night, PLAIN, [kept["path"]], "keep", "fine to me", "tester")
    assert regrade(night, STRICT) == 0, "what is in force is in the database"
    assert graded_by(night, STRICT) == 1
    strict = by_name(night)
    assert strict.pop(os.path.basename(kept["path"])) == "keep"
    assert set(strict.values()) == {"reject"}
    assert graded_by(night, PLAIN) == 1
    mark_settled(night, PLAIN, [kept["path"]], "auto", None, "tester")
    assert by_name(night) == before
    assert regrade(night, PLAIN) == 0


def test_explain_names_limit_value_and_verdict(night):
    """The explanation of a cloudy frame holds the limit that rejected it."""
    cloudy = next(r for r in frame_rows(night) if r["grade"] == "reject")
    found = explain(night, PLAIN, cloudy["fingerprint"][:12])
    assert found.verdict.grade is Grade.REJECT
    check = next(c for c in found.checks if c.fault is FaultName.CLOUD and c.is_fault)
    assert check.limit == TRANSPARENCY.default
    assert check.value < check.limit.reject
    assert check.setting is TRANSPARENCY


def test_explain_refuses_what_is_unknown(night):
    """A frame nobody stored is a usage error with a cure."""
    with pytest.raises(UsageError, match="No stored frame"):
        explain(night, PLAIN, "no-such-frame.fits")


def test_suggestions_come_from_marks_and_change_nothing(night):
    """Marks that keep what the limits reject lead to a milder limit being proposed."""
    rows = frame_rows(night)
    before = by_name(night)
    paths = [r["path"] for r in rows if r["grade"] != "keep"]
    mark_settled(night, PLAIN, paths, "keep", None, "tester")
    mark_settled(night, PLAIN, [r["path"] for r in rows if r["path"] not in paths], "keep",
                None, "tester")  # fmt: skip
    found = compare(night, PLAIN)
    assert (found.marks, found.too_strict, found.too_mild) == (12, 3, 0)
    mark_settled(night, PLAIN, [r["path"] for r in rows], "auto", None, "tester")
    assert by_name(night) == before
    for s in found.suggestions:
        assert s.agree_then > s.agree_now


def test_effective_time_falls_with_the_light(night):
    """Effective time goes with the square of the throughput; the best frame counts in full."""
    rows = [r for r in frame_rows(night) if r["effective_s"] is not None]
    assert len(rows) == 12
    best = max(rows, key=lambda r: r["effective_s"])
    cloudy = [r for r in rows if r["grade"] == "reject"]
    assert best["effective_s"] == pytest.approx(best["exposure_s"], rel=0.15)
    assert all(r["effective_s"] < 0.2 * r["exposure_s"] for r in cloudy)
    assert {r["effective_form"] for r in rows} == {"point"}


def test_regrading_everything_changes_no_hour(night):
    """Nothing of effective time is frozen: settling again over the same frames gives the same."""
    before = [r["effective_s"] for r in frame_rows(night)]
    assert regrade(night, PLAIN, everything=True) == 1
    assert [r["effective_s"] for r in frame_rows(night)] == before
