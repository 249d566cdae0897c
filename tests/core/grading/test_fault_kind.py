"""A new fault is one file: one defined here is graded, explained and set like any other."""

import pytest

from runlog.cli.policy import limit_rows
from runlog.config import load_settings
from runlog.core.frame import FaultName, Grade
from runlog.core.grading import faults
from runlog.core.grading.causes import overrides
from runlog.core.grading.fault_kind import Explains, FaultKind, Rule
from runlog.core.grading.faults.bright_sky import BRIGHT_SKY
from runlog.core.grading.grade import explain_run, grade_run
from runlog.core.grading.policy import Limit, Policy, Sense, Setting
from runlog.errors import ConfigError
from tests.core.runs import changed, clean_run

HOT_PPM = Setting("warm_hot_ppm", Limit(400.0, 800.0), "Dark current doubles every 6 degrees.")


def _warm(this):
    hot_ppm = this.frame.measurement.hot_pixels_ppm
    if hot_ppm is not None:
        text = f"{hot_ppm:.0f} hot pixels in a million"
        yield WARM.against(this, HOT_PPM, hot_ppm, "hot pixels in a million", text)


WARM = FaultKind(
    FaultName.CLIPPED,  # a name of its own would stand in `FaultName`
    rules=(Rule(_warm),),
    settings=(HOT_PPM,),
    explains=(Explains((BRIGHT_SKY,), "a warm sensor lights the frame as a sky would"),),
)


@pytest.fixture
def _registered(monkeypatch):
    monkeypatch.setattr(faults, "FAULTS", (*faults.FAULTS, WARM))


def warm_run():
    """A run of which frame 6 is warm, and brighter for it."""
    run = changed(clean_run(), range(25), hot_pixels_ppm=50.0)
    return changed(run, [6], hot_pixels_ppm=900.0, background_adu=500 + 300 * 2.2)


def test_one_that_is_not_registered_is_unknown():
    """Without the fault the warm frame's sky is bright, and its setting is none."""
    verdict = grade_run(warm_run(), Policy())[warm_run()[6].key]
    assert [f.name for f in verdict.faults] == [FaultName.BRIGHT_SKY]
    assert "warm_hot_ppm" not in faults.settings()


@pytest.mark.usefixtures("_registered")
def test_it_is_graded_and_explains_others():
    """The warm frame alone is rejected, in the fault's words; its bright sky is put down to it."""
    run = warm_run()
    verdicts = grade_run(run, Policy())
    (fault,) = verdicts[run[6].key].faults
    assert (fault.grade, fault.evidence) == (Grade.REJECT, "900 hot pixels in a million")
    assert {v.grade for key, v in verdicts.items() if key != run[6].key} == {Grade.KEEP}
    _, _, checks = explain_run(run, Policy())[run[6].key]
    put_down = {checks[i].kind: o.why for i, o in overrides(checks).items()}
    assert put_down == {BRIGHT_SKY: "a warm sensor lights the frame as a sky would"}


@pytest.mark.usefixtures("_registered")
def test_its_limit_is_set_in_the_config_file(tmp_path):
    """Its setting is shown with its reason, read from the file, by filter too, and obeyed."""
    row = next(r for r in limit_rows(Policy()) if r["setting"] == "warm_hot_ppm")
    assert (row["doubtful"], row["reject"]) == (400.0, 800.0)
    config = tmp_path / "runlog.toml"
    config.write_text("[policy]\nwarm_hot_ppm = [700, 1000]\n[policy.L]\nwarm_hot_ppm = [1e3, 1e3]")
    run = warm_run()
    policy = load_settings(config).policy
    assert policy[HOT_PPM] == Limit(700, 1000)
    assert policy.for_filter("Ha") == policy
    (fault,) = grade_run(run, policy)[run[6].key].faults
    assert fault.name is FaultName.BRIGHT_SKY  # run of L: 900 is within its own limit
    general = grade_run(run, Policy(policy.own))[run[6].key]
    assert general.grade is Grade.DOUBTFUL


@pytest.mark.parametrize(
    ("bad", "value", "grade"),
    [
        (Sense.ABOVE, 1.9, Grade.KEEP),
        (Sense.ABOVE, 2.0, Grade.DOUBTFUL),
        (Sense.ABOVE, 3.0, Grade.REJECT),
        (Sense.BELOW, 2.1, Grade.KEEP),
        (Sense.BELOW, 2.0, Grade.DOUBTFUL),
        (Sense.BELOW, 1.0, Grade.REJECT),
    ],
)
def test_a_limit_itself_is_past_it(bad, value, grade):
    """More is bad above a limit, less below one; a value on the limit is bad in both senses."""
    limit = Limit(2.0, 3.0) if bad is Sense.ABOVE else Limit(2.0, 1.0)
    assert Setting("any", limit, "why", bad).grade(value, limit) is grade


def test_every_setting_has_one_fault_and_a_reason():
    """Names are unique but where two faults share a setting; each default says why."""
    found = {}
    for kind in faults.FAULTS:
        for setting in kind.settings:
            assert found.setdefault(setting.name, setting) is setting
            assert setting.why.endswith((".", "..."))
    assert faults.settings() == found


@pytest.mark.parametrize(
    ("line", "worse"),
    [("soft_ratio = [3, 1.2]", "More is worse"), ("cloud_transparency = [0.5, 0.8]", "Less is")],
)
def test_limits_the_wrong_way_round_are_refused(tmp_path, line, worse):
    """Guards bad frames from passing: a limit that rejects before it doubts is a slip."""
    config = tmp_path / "runlog.toml"
    config.write_text(f"[policy]\n{line}\n")
    with pytest.raises(ConfigError, match="would reject before it doubts") as refused:
        load_settings(config)
    assert worse in str(refused.value)
