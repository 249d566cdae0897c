"""Light frames begun with the Sun up: what would put it down, the sign of the longitude or a clock.

Where only the Sun contradicts a header nothing is changed: a wrong sign and local time written as
UTC look alike. One question a run says what it would take.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import NamedTuple

from runlog.core.frame import Context, Frame, Question
from runlog.core.sky.horizon import sun_span

SUN_UP_DEG = -4.0  # brighter than any deep-sky exposure is begun
_DAY_DEG = 3.0  # up to here a frame may have been begun in bright twilight on purpose
_NIGHT_DEG = -6.0  # civil twilight ends
_DEGREES_AN_HOUR = 15.0


class LitSite(NamedTuple):
    """Where a frame was taken; longitude east positive."""

    latitude_deg: float
    longitude_deg: float
    from_config: bool = False  # the longitude


class Lit(NamedTuple):
    """One light frame of a run: its middle, its place, and where the Sun stood."""

    middle: datetime
    latitude_deg: float
    longitude_deg: float
    from_config: bool
    sun_alt_deg: float


IN_DOUBT = "unknown, because the longitude or the clock is in doubt"


def place_in_doubt(sun_alts_deg: Iterable[float | None]) -> bool:
    """Tell whether the Sun stood so high in a light frame that place or clock cannot be right.

    While they are in doubt nothing that follows from them is a fact: no dark, no Moon.
    """
    return any(height is not None and height > _DAY_DEG for height in sun_alts_deg)


def sky_as_known(lights: Sequence[Frame]) -> list[Frame]:
    """Leave Sun and Moon out of a run's lights where the place or the clock is in doubt."""
    if not place_in_doubt(f.context.sun_alt_deg for f in lights):
        return list(lights)
    return [replace(f, context=_without_sky(f.context)) for f in lights]


def _without_sky(context: Context) -> Context:
    return replace(context, sun_alt_deg=None, moon_alt_deg=None, moon_sep_deg=None)


def daylight_question(lights: Sequence[Lit]) -> Question | None:
    """Ask about the light frames of a run that the Sun stood above; None where it never did."""
    up = [light.sun_alt_deg for light in lights if light.sun_alt_deg > SUN_UP_DEG]
    if not up:
        return None
    base = f"the Sun stood {sun_span(up)} in {_in_how_many(len(up), len(lights))}"
    if max(up) <= _DAY_DEG:
        text = f"{base}: begun in bright twilight, or clock or longitude are somewhat off"
        return Question("sun-up", text)
    return _explained(base, lights)


def _in_how_many(up: int, lights: int) -> str:
    return "every light frame" if up == lights else f"{up} of {lights} light frames"


def _explained(base: str, lights: Sequence[Lit]) -> Question:
    """Name each single mistake that would put the Sun down in every light frame, with its cure."""
    first = lights[0]
    hours = round(-first.longitude_deg / _DEGREES_AN_HOUR)
    said = f"{abs(hours)}h {'later' if hours > 0 else 'earlier'}"
    turned = [light._replace(longitude_deg=-light.longitude_deg) for light in lights]
    shifted = [light._replace(middle=light.middle + timedelta(hours=hours)) for light in lights]
    causes = {
        f"the sign of the longitude is wrong (at {-first.longitude_deg:g} it was {{}})": (
            _all_down(turned),
            _site_cure(first),
        ),
        f"local time was written as UTC (about {said} it was {{}})": (
            _all_down(shifted) if hours else "",
            f'date "{said}"',
        ),
    }
    fits = {words.format(down): cure for words, (down, cure) in causes.items() if down}
    if not fits:
        return Question("sun-up", f"{base}: wrong clock, wrong place, or taken by day")
    return Question("sun-up", f"{base}: most likely {', or '.join(fits)}", "\n".join(fits.values()))


def _all_down(lights: Sequence[Lit]) -> str:
    """Say how far below the horizon the Sun would stand; nothing where it would not."""
    heights = [_sun_deg(light) for light in lights]
    return sun_span(heights) if max(heights) < _NIGHT_DEG else ""


def _sun_deg(light: Lit) -> float:
    from runlog.core.sky.earth import Site  # with numpy, which few nights need
    from runlog.core.sky.ephemeris import sun_altitude_deg

    site = Site(light.latitude_deg, light.longitude_deg)
    return float(sun_altitude_deg([light.middle], site)[0])


def _site_cure(light: Lit) -> str:
    if light.from_config:
        return (
            f"Set longitude_deg = {-light.longitude_deg:g} under [site] in the config, then: "
            "runlog policy adopt, and runlog scan --remeasure"
        )
    return f'site "{light.latitude_deg:g} {-light.longitude_deg:g}"'
