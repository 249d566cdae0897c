"""Which fault explains which: what a cause brings with it is not counted, and that is said."""

import pytest

from runlog.core.frame import FaultName
from runlog.core.grading.causes import counted, overrides
from runlog.core.grading.grade import explain_run, grade_run
from runlog.core.grading.policy import Policy
from tests.core.runs import altered, changed, clean_run, trail

POLICY = Policy()
COVERED = (0, 0, 1, 0, 0, 8, 0, 0, 12)


def explained(run, i):
    """Give one frame's checks and, by fault, what its overridden checks are put down to."""
    _, _, checks = explain_run(run, POLICY)[run[i].key]
    return checks, {checks[n].fault: o.by for n, o in overrides(checks).items()}


def test_a_lone_fault_is_nobodys_symptom():
    """One cloud is a cloud: nothing is overridden, nor on a clean frame."""
    run = changed(clean_run(), [7], transparency=0.5)
    assert explained(run, 7)[1] == {}
    assert explained(run, 8)[1] == {}


def test_a_trail_explains_wide_stars():
    """A trailed star is wide, so its width says nothing of focus or seeing."""
    run = clean_run()
    run[5] = trail(run[5], 3.0)
    _, put_down = explained(run, 5)
    assert set(put_down) <= {FaultName.DEFOCUSED, FaultName.SOFT}
    assert set(put_down.values()) == {FaultName.TRAILED}


@pytest.mark.parametrize(
    ("values", "symptom", "cause"),
    [
        ({"doubled_share": 0.5, "doubled_px": 8.0, "transparency": 0.6},
         FaultName.CLOUD, FaultName.DOUBLED),
        ({"hfr_px": 1.43 * 1.6, "fwhm_px": 2.3, "transparency": 0.6},
         FaultName.CLOUD, FaultName.DEW),
        ({"zone_stars": COVERED, "stars": 21, "transparency": 0.13},
         FaultName.CLOUD, FaultName.OBSTRUCTED),
        ({"transparency": 0.1, "stars": 60}, FaultName.FEW_STARS, FaultName.CLOUD),
        ({"readout": "bands", "axis_ratio": 0.5, "eccentricity": 0.87, "alignment": 0.9},
         FaultName.TRAILED, FaultName.READOUT),
        ({"readout": "nothing in half of the rows", "transparency": 0.6,
          "zone_stars": (50, 50, 50, 20, 20, 20, 0, 0, 0)},
         FaultName.OBSTRUCTED, FaultName.READOUT),
    ],
)  # fmt: skip
def test_each_cause_and_what_it_brings(values, symptom, cause):
    """Each symptom is put down to its cause and not counted; the cause is."""
    run = changed(clean_run(), [12], **values)
    checks, put_down = explained(run, 12)
    assert put_down[symptom] is cause
    faults = {c.fault for c in counted(checks)}
    assert cause in faults
    assert symptom not in faults
    assert all(o.why for o in overrides(checks).values())


def test_what_counts_is_what_the_verdict_names():
    """Grades and explanations come from the same rules."""
    run = changed(clean_run(), [3], transparency=0.1, stars=60, background_adu=1500.0)
    run[9] = altered(trail(run[9], 2.0), transparency=0.4)
    verdicts = grade_run(run, POLICY)
    for i in (3, 9):
        checks, _ = explained(run, i)
        assert {f.name for f in verdicts[run[i].key].faults} == {c.fault for c in counted(checks)}
