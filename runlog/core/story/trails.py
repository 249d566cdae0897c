"""Stars stretched or doubled: by the mount, always the same way, or by wind, each time another."""

from cmath import exp, phase
from collections.abc import Iterator, Sequence
from itertools import chain
from math import degrees, radians

from runlog.core.frame import FaultName
from runlog.core.story.first_after import first_frames
from runlog.core.story.model import Event, GradedLight, Lights, event, stretches, worst_evidence
from runlog.core.story.phrases import events as say

TRAILS = (FaultName.TRAILED, FaultName.DOUBLED)
GUSTS_LEAST = 3  # two directions differ by chance
BURST_FRAMES = 3  # in a row and all one way: the mount
# Length of the mean of unit vectors at twice the angle: 1 where all lie one way, about 1 / sqrt(n)
# where n lie at random. Directions that scatter by 10 degrees still give 0.94, by 20 give 0.78
# (Mardia and Jupp 2000, Directional Statistics, 2.3 and 9.3, from memory: exp(-2 s^2), s radians).
ONE_WAY = 0.75
FIRSTS_SHARE = 0.5  # of a run's frames: where more come first after something, that is no news


def one_way(angles_deg: Sequence[float]) -> float:
    """Tell how far axes (n angles in degrees, 0 to 180) share one direction, 0 to 1."""
    return abs(sum(exp(2j * radians(a)) for a in angles_deg)) / len(angles_deg)


def spread_deg(angles_deg: Sequence[float]) -> float:
    """Give how far axes lie from their mean direction at most, in degrees, up to 90."""
    mean = phase(sum(exp(2j * radians(a)) for a in angles_deg))
    return max(abs(degrees(phase(exp(2j * radians(a) - 1j * mean)))) / 2 for a in angles_deg)


def find_trails(lights: Lights) -> Iterator[Event]:
    """Tell gusts of wind as one event, and what else stretched the stars stretch by stretch."""
    firsts = first_frames(lights)
    gusts = _gusts(lights, firsts)
    if gusts:
        yield _wind(lights, gusts)
    blown = {id(t) for t in gusts}
    for stretch in stretches(lights, lambda t: t.has(*TRAILS) and id(t) not in blown):
        hit = [t for t in stretch if t.has(*TRAILS) and id(t) not in blown]
        name = next(n for n in TRAILS if any(t.has(n) for t in hit))
        evidence = worst_evidence(hit, name, lambda f: f.measurement.eccentricity)
        yield event("trailing", stretch, say.trailing(name, evidence, _after(stretch[0], firsts)))


def _after(light: GradedLight, firsts: dict[str, list[GradedLight]]) -> str | None:
    """Name what a frame came first after; None where nothing happened before it."""
    return next((what for what, own in firsts.items() if any(t is light for t in own)), None)


def _gusts(lights: Lights, firsts: dict[str, list[GradedLight]]) -> list[GradedLight]:
    """Find trailed frames whose direction changes from one to the next.

    Frames in a row that lie one way are a fault of the mount's; so are those right after
    something, while the guiding settles.
    """
    after = _seldom(lights, firsts)
    rest: list[GradedLight] = []
    for stretch in stretches(lights, _has_direction):
        own = [t for t in stretch if _has_direction(t)]
        burst = len(own) >= BURST_FRAMES and one_way(_angles(own)) >= ONE_WAY
        rest += [] if burst else [t for t in own if id(t) not in after]
    many = len(rest) >= GUSTS_LEAST
    return rest if many and one_way(_angles(rest)) < ONE_WAY else []


def _seldom(lights: Lights, firsts: dict[str, list[GradedLight]]) -> set[int]:
    """List the frames that came first after what happens before few frames."""
    few = [own for own in firsts.values() if len(own) < FIRSTS_SHARE * len(lights)]
    return {id(t) for t in chain.from_iterable(few)}


def _has_direction(light: GradedLight) -> bool:
    known = light.frame.measurement.elongation_deg is not None
    return known and light.has(FaultName.TRAILED) and not light.has(FaultName.DOUBLED)


def _angles(lights: Lights) -> list[float]:
    return [t.frame.measurement.elongation_deg or 0.0 for t in lights]


def _wind(lights: Lights, gusts: Sequence[GradedLight]) -> Event:
    blown = {id(t) for t in gusts}
    spells = list(stretches(lights, lambda t: id(t) in blown))
    evidence = worst_evidence(gusts, FaultName.TRAILED, lambda f: f.measurement.eccentricity)
    text = say.wind(
        len(gusts), len(spells), gusts[0].start, gusts[-1].end, spread_deg(_angles(gusts)), evidence
    )
    ends = gusts[0].start, gusts[-1].end
    keys = gusts[0].frame.key, gusts[-1].frame.key
    return Event("wind", *ends, *keys, len(gusts), 0.0, text)
