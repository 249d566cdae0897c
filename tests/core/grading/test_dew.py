"""Dew, light lost at one level, and light that stars do not miss."""

import pytest

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.grade import explain_run, grade_run
from runlog.core.grading.policy import Policy
from tests.core.runs import altered, changed, clean_run


def graded(run):
    """Grade a run; give verdicts in its order."""
    verdicts = grade_run(run, Policy())
    return [verdicts[f.key] for f in run]


def halos(times):
    """Give stars whose half-flux radius grew."""
    return lambda f: times * (f.measurement.hfr_px or 0.0)


@pytest.mark.parametrize(
    ("times", "light", "grade"),
    [(1.2, 0.85, Grade.DOUBTFUL), (1.2, 0.35, Grade.REJECT), (1.7, 0.85, Grade.REJECT)],
)
def test_lost_light_rejects_whatever_took_it(times, light, grade):
    """A mild halo does not excuse a frame with a third of its light; it is dew, not cloud."""
    run = changed(clean_run(), range(20, 26), hfr_px=halos(times), transparency=light)
    for verdict in graded(run)[20:26]:
        assert (verdict.grade, [f.name for f in verdict.faults]) == (grade, [FaultName.DEW])
        assert "halos around the stars" in verdict.faults[0].evidence


def test_wings_that_took_no_light_are_no_dew():
    """A tenth more wings with all of the light is how a profile wanders."""
    run = changed(clean_run(), [12], hfr_px=halos(1.12), transparency=1.0)
    assert graded(run)[12].grade is Grade.KEEP
    checks = explain_run(run, Policy())[run[12].key][2]
    assert any(c.evidence.endswith("but no light is lost") for c in checks)


def test_a_night_that_dews_up_does_not_make_dew_usual():
    """Most frames have halos: those with all of their light say what a profile is like."""
    run = clean_run()
    for n in range(12, 40):
        grown = (n - 11) / 28
        run[n] = altered(run[n], hfr_px=halos(1 + grown)(run[n]), transparency=1 - 0.5 * grown)
    found = graded(run)
    assert {v.grade for v in found[:12]} == {Grade.KEEP}
    assert {v.faults[0].name for v in found[18:]} == {FaultName.DEW}


def plateau(first, last, **values):
    """Make a run in which half of the light is lost at one level."""
    return changed(
        clean_run(), range(first, last), **({"transparency": 0.5, "stars": 340} | values)
    )


@pytest.mark.parametrize(("first", "last"), [(14, 26), (0, 12), (28, 40)])
def test_light_lost_at_one_level_is_no_cloud(first, last):
    """Half of the light for an hour, back at once, under the same sky: dew or something in front.

    It may have begun before the first frame, or go on after the last.
    """
    for verdict in graded(plateau(first, last))[first:last]:
        assert (verdict.grade, verdict.faults[0].name) == (Grade.REJECT, FaultName.DEW)
        assert "light lost at one level: dew, or something in front, unknown which" in (
            verdict.faults[0].evidence
        )


@pytest.mark.parametrize(
    "run",
    [
        plateau(14, 26, background_adu=900.0),  # the sky rose with it, as over a town
        plateau(14, 20),  # half an hour
        changed(plateau(14, 26), [10, 11, 12, 13], transparency=0.7),  # it came by and by
        changed(plateau(14, 26), range(14, 26, 2), transparency=0.62),  # it is not one level
        changed(clean_run(), range(40), transparency=0.5),  # no frame shows all of the light
    ],
)
def test_what_may_be_cloud_is_not_called_a_level(run):
    """A bright sky, a short loss, a slow one, one that wanders, one of all night: no level."""
    said = [f.evidence for v in graded(run) for f in v.faults]
    assert not any("one level" in text for text in said)


def test_filters_in_turn_are_one_level():
    """Each filter is held against its own clear frames, all of them in one stretch."""
    run = plateau(14, 26)
    run = changed(run, range(1, 40, 2), filter="R", ranked_flux_adu_s=40.0, background_adu=620.0)
    assert {v.faults[0].name for v in graded(run)[14:26]} == {FaultName.DEW}


def test_as_many_stars_as_usual_are_no_proof_of_cloud():
    """Cloud hides the faint stars: where none is missing the words say that it may be no cloud."""
    run = changed(clean_run(), [12, 13], transparency=0.5)
    assert "cloud, or another gain or filter, unknown which" in graded(run)[12].faults[0].evidence
    fewer = changed(clean_run(), [12, 13], transparency=0.5, stars=330)
    assert "unknown which" not in graded(fewer)[12].faults[0].evidence


def test_another_scale_loses_no_stars():
    """Light and noise down alike, no star lost: another scale of the numbers is no cloud."""
    run = changed(clean_run(), [12], transparency=0.5, noise_adu=10.0)
    verdict = graded(run)[12]
    assert (verdict.grade, verdict.faults) == (Grade.KEEP, ())
