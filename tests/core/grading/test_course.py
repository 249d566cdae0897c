"""Focus followed through a run in all filters: drifts that each filter's usual holds as well."""

from statistics import mean

import numpy as np
import pytest

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.course import courses
from runlog.core.grading.grade import grade_run
from runlog.core.grading.policy import Policy
from runlog.core.story.model import GradedLight
from runlog.core.story.tell import tell
from samples.maker.psf import Psf, template
from tests.core.runs import altered, clean_run

LIMIT = 1.13  # times as wide: defocused_ratio
# Half-flux radius over FWHM as a disc widens a Moffat of beta 3, 2.2 px wide as sampled.
TIMES = [1.0, 1.06, 1.26, 1.54, 1.95, 2.40, 2.89, 3.88]
PROFILES = [0.604, 0.587, 0.547, 0.507, 0.462, 0.431, 0.406, 0.385]
OFFSETS = {"L": 0.0, "R": -0.05, "G": 0.02, "B": 0.09, "Ha": 0.06}  # of the width, in logarithms


def out_of_focus(times, filters, seed=1, seeing=0.03):
    """Make a run whose frames are so many times as wide as in focus, filters in turn."""
    random = np.random.default_rng(seed)
    frames, now = [], 0.0
    for number, (frame, much) in enumerate(zip(clean_run(len(times)), times, strict=True)):
        name = filters[number % len(filters)]
        now = 0.8 * now + 0.6 * seeing * random.standard_normal()
        noise = 0.01 * random.standard_normal()
        width = 2.3 * much * float(np.exp(OFFSETS[name] + now + noise))
        flat = float(np.interp(much, TIMES, PROFILES) * (1 + 0.006 * random.standard_normal()))
        frames.append(altered(frame, filter=name, fwhm_px=width, hfr_px=flat * width))
    return frames


def drift(frames, start, end, peak):
    """Let widths grow from one frame to another, then be in focus again."""
    rising = [1 + (peak - 1) * (n + 1) / (end - start) for n in range(end - start)]
    return [*([1.0] * start), *rising, *([1.0] * (frames - end))]


def drifts(run, found):
    """Give first and last frame of the drifts told."""
    told = tell([GradedLight(f, found[f.key], found[f.key].grade) for f in run], Policy())
    place = {f.key: n for n, f in enumerate(run)}
    return [(place[e.first], place[e.last]) for e in told.events if e.kind == "focus-drift"]


def test_the_profiles_are_those_of_drawn_stars():
    """The table of these tests is the sample maker's, which is held against GalSim."""

    def shape(blur_px):
        image = template(Psf(2.0, blur_px=blur_px), 10, 24)
        middle = (image.shape[0] - 1) / 2
        y, x = np.indices(image.shape)
        radius = np.hypot(x - middle, y - middle).ravel() / 10
        order = np.argsort(radius)
        light = np.cumsum(image.ravel()[order])
        half = radius[order][np.searchsorted(light, light[-1] / 2)]
        return 2 * np.sqrt((image > image.max() / 2).sum() / np.pi) / 10, half

    clean_px, _ = shape(0.0)
    for blur in (0.5, 1.0, 1.5, 2.0, 3.0):
        fwhm_px, half_px = shape(blur * clean_px)
        expected = np.interp(fwhm_px / clean_px, TIMES, PROFILES)
        assert half_px / fwhm_px == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("filters", [["L"], "LRGB", ["L", "R", "G", "B", "Ha"], "LLRRGGBB"])
@pytest.mark.parametrize(("start", "end", "peak"), [(4, 40, 2.2), (10, 34, 1.7), (0, 40, 2.5)])
def test_a_drift_through_filters_is_told_from_its_true_start(filters, start, end, peak):
    """Frames 1.3 times as wide are not kept, those in focus are, and the event is where it was."""
    times = drift(40, start, end, peak)
    wide = caught = clean = kept = 0
    off = []
    for seed in range(4):
        run = out_of_focus(times, filters, seed)
        found = grade_run(run, Policy())
        grades = [found[f.key].grade for f in run]
        wide += sum(t >= 1.3 for t in times)
        caught += sum(g is not Grade.KEEP for g, t in zip(grades, times, strict=True) if t >= 1.3)
        clean += sum(t < 1.06 for t in times)
        kept += sum(g is Grade.KEEP for g, t in zip(grades, times, strict=True) if t < 1.06)
        named = {found[f.key].faults[0].name for f in run if found[f.key].faults}
        assert named == {FaultName.DEFOCUSED}
        ((first, last),) = drifts(run, found)
        true = next(n for n, t in enumerate(times) if t >= LIMIT)
        off.append(first - true)
        assert last == end - 1
    assert caught >= 0.99 * wide
    assert kept >= 0.98 * clean
    if start:  # else no frame shows what was in focus
        assert mean(map(abs, off)) <= 1.25
        assert max(map(abs, off)) <= 2  # seeing and drift cannot be told apart in one frame


@pytest.mark.parametrize("filters", [["L"], "LRGB", ["L", "R", "G", "B", "Ha"]])
@pytest.mark.parametrize("seeing", [0.03, 0.08, 0.14])
def test_seeing_that_wanders_is_no_drift(filters, seeing):
    """Widths that come and go with the profile unchanged are never out of focus."""
    for seed in range(6):
        run = out_of_focus([1.0] * 48, filters, seed, seeing)
        found = grade_run(run, Policy())
        assert FaultName.DEFOCUSED not in {f.name for v in found.values() for f in v.faults}


def test_a_filter_of_another_width_is_not_out_of_focus():
    """Each filter's own width is taken out, however the order of filters runs."""
    run = out_of_focus([1.0] * 24, "LRGB")
    wide = [altered(f, fwhm_px=1.4 * f.measurement.fwhm_px, hfr_px=1.4 * f.measurement.hfr_px)
            if f.context.filter == "B" else f for f in run]  # fmt: skip
    by_key = courses(wide)
    assert all(by_key[f.key].times < LIMIT and by_key[f.key].several for f in wide)
    assert courses(wide[::-1]) == by_key


def test_filters_one_after_the_other_are_not_tied():
    """A block of one filter after a block of another: nothing tells offset and course apart."""
    run = [altered(f, filter="L" if n < 12 else "B") for n, f in enumerate(clean_run(24))]
    wide = [altered(f, fwhm_px=1.3 * f.measurement.fwhm_px) if f.context.filter == "B" else f
            for f in run]  # fmt: skip
    assert all(not c.several and c.times < LIMIT for c in courses(wide).values())


def test_dew_and_trails_do_not_say_what_is_in_focus():
    """Halos make narrow stars winged, and trails long ones: frames in focus stay so."""
    run = clean_run(40)
    dewy = [altered(f, hfr_px=1.15 * f.measurement.hfr_px, fwhm_px=0.95 * f.measurement.fwhm_px,
                    transparency=0.7) for f in run[:14]]  # fmt: skip
    long = [altered(f, eccentricity=0.6, axis_ratio=0.8, hfr_px=0.5 * f.measurement.fwhm_px)
            for f in run[14:20]]  # fmt: skip
    by_key = courses([*dewy, *long, *run[20:]])
    assert all(by_key[f.key].change > -0.045 for f in run[20:])
    assert not any(f.key in by_key for f in long)


def test_few_frames_have_no_course():
    """Seven frames say nothing of what is in focus."""
    assert courses(clean_run(7)) == {}
    assert len(courses(clean_run(8))) == 8


def test_a_mean_picture_of_stars_in_focus_is_not_flat():
    """Measured without the model, stars in focus read up to 8 % flatter; plain discs still show."""
    run = clean_run(24)
    usual_px = 2.3
    seen = {"width_from": "moments", "fwhm_px": 1.2 * usual_px}
    in_focus = altered(run[9], hfr_px=0.62 * 0.93 * 1.2 * usual_px, **seen)
    assert grade_run([*run[:9], in_focus, *run[10:]], Policy())[in_focus.key].grade is Grade.KEEP
    disc = altered(run[9], hfr_px=0.45 * 1.2 * usual_px, **seen)
    (fault,) = grade_run([*run[:9], disc, *run[10:]], Policy())[disc.key].faults
    assert fault.name is FaultName.DEFOCUSED
