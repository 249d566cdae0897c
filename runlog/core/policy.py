"""The limits a frame is graded by; each default says why it is what it is."""

from dataclasses import dataclass, field

# Magnitudes lost per airmass under a clear sky, by filter (common practice, no source; a dry
# mountain loses less in blue, a hazy lowland more).
EXTINCTION_MAG = {"B": 0.25, "G": 0.17, "R": 0.12, "L": 0.18, "Ha": 0.11, "SII": 0.10, "OIII": 0.18}
DEFAULT_EXTINCTION_MAG = 0.17


@dataclass(frozen=True, slots=True)
class Limit:
    """Where a value makes a frame doubtful, and where it makes it a reject."""

    doubtful: float
    reject: float


@dataclass(frozen=True, slots=True)
class Policy:
    """Limits per fault. Ratios are to what is normal for the run."""

    # A trail as long as the star is wide gives e = 0.75; half as long, e = 0.5, which a person
    # sees at a glance in a corner crop.
    trailed_eccentricity: Limit = field(default_factory=lambda: Limit(0.55, 0.65))
    # Optics that stretch every star the same way are not tracking: e must also have risen.
    trailed_rise: float = 0.12
    # Trails share one direction over the frame; noise and coma from the corners do not.
    trailed_alignment: float = 0.5
    # Stars this long are trailed whatever the rest of the run looks like.
    trailed_always: float = 0.8
    # Focus: a quarter wider costs a third of the depth on faint stars.
    defocused_ratio: Limit = field(default_factory=lambda: Limit(1.25, 1.5))
    # Half-flux radius over FWHM up by this share: the profile changed, so it is focus.
    profile_change: float = 0.08
    # Seeing wanders by 30 % on an ordinary night and is nobody's fault.
    soft_ratio: Limit = field(default_factory=lambda: Limit(1.35, 2.0))
    # Share of the light that still comes through.
    cloud_transparency: Limit = field(default_factory=lambda: Limit(0.8, 0.5))
    # Stars left, where their flux cannot be told.
    cloud_stars: Limit = field(default_factory=lambda: Limit(0.6, 0.35))
    # Twice the sky costs half of the effective time; four times is hardly worth stacking.
    bright_sky_ratio: Limit = field(default_factory=lambda: Limit(2.0, 4.0))
    # Noise grows as the square root of the sky: used where the pedestal is not known.
    bright_noise_ratio: Limit = field(default_factory=lambda: Limit(1.41, 2.0))
    # Far fewer stars than this field gives, and nothing else found.
    few_stars_ratio: float = 0.3
    few_stars_least: int = 5
    # Saturated stars against the run, and at least so many of them.
    clipped_ratio: float = 3.0
    clipped_least: int = 20
