"""What no sky and no optics in order make of stars, against GalSim and worked numbers."""

from math import sqrt

import galsim
import numpy as np
import pytest

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.baseline import ELONGATED
from runlog.core.grading.faults.trailed import ECCENTRICITY
from runlog.core.grading.grade import grade_run
from runlog.core.grading.physics import (
    DISC,
    LONGEST,
    WIDE_PX,
    WIDEST_SKY,
    disc,
    impossible,
    one_way,
    passes_physics,
    too_wide,
)
from runlog.core.grading.policy import Policy
from tests.core.runs import altered, changed, clean_run, trail

POLICY = Policy()
FINE_PX = 0.1
ROUND = clean_run(1)[0]


def drawn(profile, size=256):
    """Draw a profile as the pixels see it, on a grid of 0.1 px."""
    return galsim.Convolve(profile, galsim.Pixel(1.0)).drawImage(
        nx=size, ny=size, scale=FINE_PX, method="no_pixel", dtype=float
    )


def fwhm_px(image):
    """Diameter of a circle with the area above half of the maximum."""
    above = np.count_nonzero(image.array > image.array.max() / 2)
    return 2 * sqrt(above / np.pi) * FINE_PX


def flatness(profile):
    """Half-flux radius over FWHM of a profile as sampled."""
    image = drawn(profile, 700)
    return image.calculateHLR(flux=1.0) / fwhm_px(image)


def eccentricity(core, trail_widths):
    """Eccentricity by adaptive moments of a star that trailed by so many of its widths."""
    length = trail_widths * fwhm_px(drawn(core))
    image = drawn(galsim.Convolve(core, galsim.Box(length, 1e-3)), 320)
    shear = galsim.hsm.FindAdaptiveMom(image).observed_shape.g
    ratio = (1 - shear) / (1 + shear)
    return sqrt(1 - ratio**2)


MOFFAT = galsim.Moffat(beta=3.0, fwhm=2.0)


@pytest.mark.parametrize(
    ("widths", "expected"),
    [(0.5, 0.32), (0.7, 0.42), (0.75, 0.45), (1.0, 0.56), (1.1, 0.60), (1.5, 0.72)],
)
def test_the_lengths_of_trails_are_those_the_policy_names(widths, expected):
    """Each number in the reasons for the limits is GalSim's, for the profile that is stated."""
    assert fwhm_px(drawn(MOFFAT)) == pytest.approx(2.2, abs=0.05)
    assert eccentricity(MOFFAT, widths) == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(
    ("core", "expected"),
    [
        (galsim.Moffat(beta=2.5, fwhm=4.5), 0.44),
        (galsim.Moffat(beta=3.0, fwhm=1.5), 0.46),
        (galsim.Gaussian(fwhm=4.5), 0.464),
        (galsim.Gaussian(fwhm=1.5), 0.47),
    ],
)
def test_three_quarters_of_a_width_whatever_the_profile(core, expected):
    """The limit holds for sharp and wide, winged and Gaussian stars alike."""
    assert eccentricity(core, 0.75) == pytest.approx(expected, abs=0.01)
    assert pytest.approx(eccentricity(MOFFAT, 0.75), abs=0.01) == ELONGATED
    assert POLICY[LONGEST].doubtful == pytest.approx(0.44)
    assert POLICY[ECCENTRICITY].doubtful < ELONGATED


@pytest.mark.parametrize("fwhm", [2.8, 4.5])
@pytest.mark.parametrize("core", ["gaussian", 3.0, 4.0, "kolmogorov"])
def test_no_star_in_focus_is_flat(core, fwhm):
    """A Gaussian is the flattest star there is in focus; air and optics only add wings."""
    named = {"gaussian": galsim.Gaussian(fwhm=fwhm), "kolmogorov": galsim.Kolmogorov(fwhm=fwhm)}
    flat = flatness(named.get(core) or galsim.Moffat(beta=core, fwhm=fwhm, trunc=18))
    assert flat > 0.495
    assert POLICY[DISC].doubtful < 0.495


@pytest.mark.parametrize("hole", [0.0, 0.36])
@pytest.mark.parametrize("beta", [2.5, 3.0, 4.0])
def test_discs_three_widths_across_are_told(beta, hole):
    """Discs and rings three widths across lie past the limit, and next to a reject."""
    core = galsim.Moffat(beta=beta, fwhm=2.5, trunc=25)
    radius = 1.5 * fwhm_px(drawn(core))
    pupil = galsim.TopHat(radius)
    if hole:
        pupil = galsim.Sum(
            galsim.TopHat(radius, flux=1 / (1 - hole**2)),
            galsim.TopHat(hole * radius, flux=-(hole**2) / (1 - hole**2)),
        )
    blurred = galsim.Convolve(core, pupil)
    assert fwhm_px(drawn(blurred, 500)) > WIDE_PX
    assert flatness(blurred) < POLICY[DISC].reject


def flat_frame(profile, width_px=7.0, **more):
    """Give a frame with stars of one width and profile."""
    return altered(ROUND, fwhm_px=width_px, hfr_px=profile * width_px, **more)


def test_discs_are_out_of_focus_whatever_is_usual():
    """A first night out of focus throughout: nothing to compare with, and none is kept."""
    found = grade_run([flat_frame(0.42, content_key=f"{i:032x}") for i in range(12)], POLICY)
    assert {v.grade for v in found.values()} == {Grade.REJECT}
    assert {v.faults[0].name for v in found.values()} == {FaultName.DEFOCUSED}
    assert "the stars are discs or rings" in found["0" * 32].faults[0].evidence


def test_narrow_stars_are_flat_by_their_pixels():
    """A pixel is flat itself: what is narrower than three of them says nothing of the focus."""
    assert disc(flat_frame(0.4, 2.9), POLICY) is None
    assert disc(flat_frame(0.4, 3.1), POLICY).grade is Grade.REJECT


@pytest.mark.parametrize("values", [{"stars": 4}, {"doubled_share": 0.9}, {"hfr_px": None}])
def test_what_is_no_single_star_says_nothing_of_the_focus(values):
    """Four peaks may be anything, two images side by side are flat, no radius says nothing."""
    assert disc(altered(flat_frame(0.4), **values), POLICY) is None


def test_a_long_trail_is_no_disc():
    """A trail of two widths is as flat as a disc: the trail accounts for it."""
    assert disc(altered(flat_frame(0.47), eccentricity=0.84, axis_ratio=0.54), POLICY) is None


def test_a_lone_disc_is_looked_at_and_not_thrown_away():
    """Alone it may be another instrument's: doubtful with what it shows, as rejects are lost."""
    (verdict,) = grade_run([flat_frame(0.36)], POLICY).values()
    assert (verdict.grade, verdict.faults[0].name) == (Grade.DOUBTFUL, FaultName.DEFOCUSED)


@pytest.mark.parametrize(
    ("width_px", "scale", "airmass", "sure"),
    [
        (9.0, 1.0, 1.0, True),  # 9 arcsec: 7.5 are left beside 5 px
        (9.0, 0.5, 1.0, False),  # 4.5 arcsec: a bad night
        (2.0, 4.0, 1.0, False),  # a 200 mm lens: 8 arcsec by its pixels
        (4.5, 240.0, 1.0, False),  # a lens for the whole sky
        (9.0, 1.0, 2.0, False),  # low down: X^0.6 = 1.52
        (9.0, None, 1.0, False),  # no scale: not known
    ],
)
def test_stars_wider_than_any_sky(width_px, scale, airmass, sure):
    """Coarse pixels and short lenses are not the sky's; a large telescope's wide stars are not."""
    frame = altered(ROUND, fwhm_px=width_px, arcsec_per_px=scale, airmass=airmass)
    found = too_wide(frame, POLICY)
    assert (found is None) == (scale is None)
    assert (found is not None and found.grade is not Grade.KEEP) == sure
    assert passes_physics(altered(frame, hfr_px=0.6 * width_px), POLICY) == (not sure)


def test_wide_stars_of_a_whole_night_are_soft_and_say_so():
    """Stars of 10 arcsec in every frame, in the shape of stars: no sky makes them."""
    night = clean_run(12, fwhm_px=10.0, hfr_px=6.1, arcsec_per_px=1.0)
    found = grade_run(night, POLICY)
    assert {v.faults[0].name for v in found.values()} == {FaultName.SOFT}
    assert "wider than any sky makes them" in found[night[0].key].faults[0].evidence
    assert POLICY[WIDEST_SKY].doubtful == 7.0


@pytest.mark.parametrize("lengths", [0.78, 1.0, 2.0])
def test_a_night_trailed_throughout_is_never_kept(lengths):
    """A first night whose every frame trails alike passes its own median, and not this."""
    night = [trail(f, lengths) for f in clean_run(32)]
    found = grade_run(night, POLICY)
    assert Grade.KEEP not in {v.grade for v in found.values()}
    assert {v.faults[0].name for v in found.values()} == {FaultName.TRAILED}
    assert "by tracking or optics, unknown which" in found[night[0].key].faults[0].evidence


def test_long_stars_in_all_directions_are_no_trail():
    """Coma from the corners makes stars long, but not one way."""
    frame = altered(ROUND, axis_ratio=0.8, eccentricity=0.6, alignment=0.2)
    assert one_way(frame, POLICY).grade is Grade.KEEP


def test_few_stars_and_mixed_pixels_leave_an_elongation_open():
    """What an error or a resampling may have brought is not held against a frame."""
    long = altered(ROUND, axis_ratio=0.875, eccentricity=0.484, alignment=0.9)
    assert not passes_physics(long, POLICY)
    assert passes_physics(altered(long, eccentricity_err=0.1), POLICY)
    assert passes_physics(altered(long, resampled=True, fwhm_px=2.0), POLICY)


@pytest.mark.parametrize("unknown", ["eccentricity", "axis_ratio", "alignment"])
def test_an_elongation_that_was_not_measured_says_nothing(unknown):
    """Guards frames of which a part of the shape is unknown: no trail, and no crash."""
    long = altered(ROUND, axis_ratio=0.8, eccentricity=0.6, alignment=0.9)
    assert one_way(altered(long, **{unknown: None}), POLICY) is None


def test_clean_frames_pass():
    """Nothing of an ordinary frame is impossible, and the findings of a bad one are all named."""
    assert all(passes_physics(f, POLICY) for f in clean_run(arcsec_per_px=2.5))
    bad = altered(flat_frame(0.42, 12.0), arcsec_per_px=1.0, axis_ratio=0.85, eccentricity=0.53)
    named = {f.fault for f in impossible(altered(bad, alignment=0.9), POLICY)}
    assert named == {FaultName.DEFOCUSED, FaultName.SOFT, FaultName.TRAILED}


def test_one_trailed_frame_among_round_ones_is_told_by_its_run():
    """Where others are rounder, the evidence is the comparison."""
    found = grade_run(changed(clean_run(12), [3], **_long(0.7)), POLICY)
    assert "the rig's own" in found[f"{3:032x}"].faults[0].evidence


def _long(eccentricity_):
    ratio = sqrt(1 - eccentricity_**2)
    return {"eccentricity": eccentricity_, "axis_ratio": ratio, "alignment": 0.95}
