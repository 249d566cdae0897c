"""The invented rigs, their sites and targets, of the labelled nights."""

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from samples.maker.psf import Optics, Psf, mean_psf, measured_shape, template
from samples.maker.scenario import TARGETS, Camera, Site, Target, Telescope
from samples.maker.shot import Rig

ROWS, COLUMNS = 768, 1024
SMALL_ROWS, SMALL_COLUMNS = 600, 800
MARGIN_PX = 760.0  # sky around a frame: a jump of 0.3 fields still shows stars everywhere
UNKNOWN_OFFSET = 70  # a setting no bias frame was ever taken with


@dataclass(frozen=True, slots=True)
class BenchRig:
    """A rig with what is usual for it."""

    key: str
    rig: Rig
    seeing_arcsec: float  # usual, at the zenith
    stars: int  # detectable in a clear 300 s frame through L, roughly
    focus_um_c: float

    @property
    def usual_core_px(self) -> float:
        """Give the Moffat core's width on a usual night at the zenith, at the field's centre."""
        return self.core_px(self.seeing_arcsec)

    def core_px(self, seeing_arcsec: float) -> float:
        """Add the optics to the seeing."""
        optics = self.rig.telescope.optics_fwhm_arcsec
        return float(np.hypot(seeing_arcsec, optics)) / self.rig.arcsec_px

    def seeing_factor(self, seeing_arcsec: float) -> float:
        """Give the core's width under some seeing over the usual."""
        return self.core_px(seeing_arcsec) / self.usual_core_px

    def small(self) -> "BenchRig":
        """Put another, smaller camera behind the telescope."""
        camera = self.rig.camera
        area = SMALL_ROWS * SMALL_COLUMNS / (camera.rows * camera.columns)
        smaller = replace(
            camera, name=f"{camera.name} S", rows=SMALL_ROWS, columns=SMALL_COLUMNS,
            serial=camera.serial + 400,
        )  # fmt: skip
        return replace(self, rig=replace(self.rig, camera=smaller), stars=round(self.stars * area))

    def with_unknown_zero(self) -> "BenchRig":
        """Set another offset, for which there are no bias frames."""
        camera = replace(self.rig.camera, offset=UNKNOWN_OFFSET, pedestal_adu=700.0)
        return replace(self, rig=replace(self.rig, camera=camera))


# Undersampled: 2.5 arcsec a pixel, stars 2 px wide. The optics stretch corners a little.
WREN = BenchRig(
    key="wren",
    rig=Rig(
        camera=Camera(
            name="MonoCam 5", rows=ROWS, columns=COLUMNS, pixel_um=4.6, serial=51, egain_e_adu=0.9
        ),
        telescope=Telescope(
            "Wren 72/380", aperture_mm=72.0, focal_mm=380.0, optics_fwhm_arcsec=2.4
        ),
        site=Site("Hollow Hill", 50.10, 14.35, 410.0),
        optics=Optics(corner_rise=0.08, tilt=0.03, corner_flattening=0.04),
    ),
    seeing_arcsec=3.3,
    stars=500,
    focus_um_c=13.0,
)

# Well sampled: 0.6 arcsec a pixel, stars 4.5 px wide; an obstructed mirror, slightly tilted.
HERON = BenchRig(
    key="heron",
    rig=Rig(
        camera=Camera(
            name="MonoCam 8", rows=ROWS, columns=COLUMNS, pixel_um=4.63, serial=82, egain_e_adu=1.2
        ),
        telescope=Telescope(
            "Heron 200/1600",
            aperture_mm=200.0,
            focal_mm=1600.0,
            optics_fwhm_arcsec=1.1,
            throughput=0.45,
            obstruction=0.36,
        ),
        site=Site("Far Ridge", 50.35, 13.60, 830.0),
        optics=Optics(corner_rise=0.05, tilt=0.05, corner_flattening=0.03),
    ),
    seeing_arcsec=2.5,
    stars=200,
    focus_um_c=22.0,
)

# Between the two in sampling, with corners that widen: the unseen nights' refractor.
PLOVER = BenchRig(
    key="plover",
    rig=Rig(
        camera=Camera(
            name="MonoCam 11",
            rows=ROWS,
            columns=COLUMNS,
            pixel_um=3.76,
            serial=113,
            egain_e_adu=0.75,
            read_noise_e=1.8,
            pedestal_adu=300.0,
            offset=30,
        ),
        telescope=Telescope(
            "Plover 106/530", aperture_mm=106.0, focal_mm=530.0, optics_fwhm_arcsec=1.6
        ),
        site=Site("Long Meadow", 48.75, 11.20, 520.0),
        optics=Optics(corner_rise=0.13, tilt=0.04, corner_flattening=0.05),
    ),
    seeing_arcsec=2.9,
    stars=700,
    focus_um_c=30.0,
)

# A fast mirror with coma in the corners before an old, noisy camera.
DUNLIN = BenchRig(
    key="dunlin",
    rig=Rig(
        camera=Camera(
            name="MonoCam 3",
            rows=ROWS,
            columns=COLUMNS,
            pixel_um=5.4,
            serial=37,
            egain_e_adu=0.45,
            read_noise_e=8.0,
            pedestal_adu=1100.0,
            dark_e_s=0.01,
            hot_share=2e-3,
        ),
        telescope=Telescope(
            "Dunlin 254/1000",
            aperture_mm=254.0,
            focal_mm=1000.0,
            optics_fwhm_arcsec=1.4,
            throughput=0.4,
            obstruction=0.3,
        ),
        site=Site("North Fen", 52.60, 13.10, 45.0),
        optics=Optics(corner_rise=0.16, tilt=0.08, corner_flattening=0.08),
    ),
    seeing_arcsec=3.4,
    stars=400,
    focus_um_c=11.0,
)

RIGS = {rig.key: rig for rig in (WREN, HERON, PLOVER, DUNLIN)}

PLACES: dict[str, Target] = {
    **TARGETS,
    "NGC 1499": Target("NGC 1499", 60.80, 36.40, "nebula", 3.0),
    "NGC 891": Target("NGC 891", 35.64, 42.35, "galaxy", -1.0),
    "M 76": Target("M 76", 25.58, 51.57, "galaxy", 2.0),
    "IC 1396": Target("IC 1396", 324.75, 57.50, "nebula", 0.5),
    "NGC 7331": Target("NGC 7331", 339.27, 34.42, "galaxy", -2.5),
}
GLOWING = ("NGC 7000", "M 33", "NGC 1499", "IC 1396")  # the others are small on a field of stars
ELSEWHERE = Target("elsewhere", 30.0, 38.0, "galaxy", 11.0)

STEPS = 16


def _fwhm_px(psf: Psf) -> float:
    """Give 2 sqrt(A/pi), A the area above half of a pixel-integrated star's maximum."""
    image = template(psf, STEPS, int(np.ceil(1.2 * psf.fwhm_px + psf.reach_px)) + 2)
    area_px2 = (image > image.max() / 2.0).sum() / STEPS**2
    return float(2.0 * np.sqrt(area_px2 / np.pi))


@lru_cache(maxsize=8)
def _clean_table(optics: Optics) -> tuple[np.ndarray, np.ndarray]:
    cores = np.geomspace(1.0, 14.0, 40)
    return cores, np.array([_fwhm_px(mean_psf(Psf(float(core)), optics)) for core in cores])


def clean_fwhm_px(core_px: float, optics: Optics) -> float:
    """Give the width of a focused, untrailed star as sampled, averaged over the field."""
    cores, widths = _clean_table(optics)
    return float(np.interp(core_px, cores, widths))


@lru_cache(maxsize=8)
def _blur_table(hole: float, core_px: float) -> tuple[np.ndarray, np.ndarray]:
    blurs = np.concatenate([np.linspace(0.0, 2.4, 25), np.linspace(2.6, 6.0, 14)]) * core_px
    clean = _fwhm_px(Psf(core_px))
    return blurs / clean, np.array(
        [_fwhm_px(Psf(core_px, blur_px=float(b), blur_hole=hole)) / clean for b in blurs]
    )


def widening(blur_px: float, clean_px: float, rig: BenchRig) -> float:
    """Give how many times wider an out-of-focus disc or ring makes a star."""
    blurs, ratios = _blur_table(rig.rig.telescope.obstruction, round(rig.usual_core_px, 1))
    return float(np.interp(blur_px / clean_px, blurs, ratios))


def blur_for(ratio: float, clean_px: float, rig: BenchRig) -> float:
    """Give the diameter of the disc or ring that widens a star so many times."""
    blurs, ratios = _blur_table(rig.rig.telescope.obstruction, round(rig.usual_core_px, 1))
    rising = np.maximum.accumulate(ratios)
    return float(np.interp(ratio, rising, blurs)) * clean_px


def seeing_for(width: float, rig: BenchRig) -> float:
    """Give the seeing that makes the core so many times as wide as usual, optics unchanged."""
    optics = rig.rig.telescope.optics_fwhm_arcsec
    whole = width * math.hypot(rig.seeing_arcsec, optics)
    return math.sqrt(max(whole**2 - optics**2, 0.3**2))


@lru_cache(maxsize=64)
def trail_for(eccentricity: float, rig: BenchRig) -> float:
    """Give the trail, over the clean width, that makes the rig's usual star so elongated."""
    core_px = rig.usual_core_px
    clean_px = clean_fwhm_px(core_px, rig.rig.optics)
    low, high = 0.0, 4.0
    for _ in range(14):
        middle = (low + high) / 2
        psf = Psf(core_px, trail_px=max(middle, 0.02) * clean_px)
        ratio = measured_shape(mean_psf(psf, rig.rig.optics), 8).axis_ratio
        low, high = (middle, high) if 1.0 - ratio**2 < eccentricity**2 else (low, middle)
    return (low + high) / 2
