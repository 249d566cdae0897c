"""Nights that are wrong from end to end or for hours on end, and clean first nights, by seed.

Every strength, place and date below is drawn from the seed within the range that its comment or
name gives, so that another seed is another set of the same kinds.
"""

import math
from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from .mount import OVERHEAD_S, REFOCUS_EVERY_S, REFOCUS_S, dark_of
from .rigs import RIGS, trail_for
from .script import (
    Block,
    Cirrus,
    Cloud,
    Dew,
    Drift,
    Optics,
    Plateau,
    Script,
    Tree,
    Turn,
)

WHOLE = "whole"  # stands where other nights say which half they belong to
LRGB = ("L", "R", "G", "B")
GLASS = {"L": 1.0, "R": 1.05, "G": 0.97, "B": 1.12}  # widths through filters
SETUPS = (("wren", False), ("wren", True), ("heron", False), ("heron", True))  # rig, small
FIELDS = ("NGC 891", "M 76", "M 76", "NGC 891")  # of the nights that are bad throughout
BAND = ("L", "L", "R", "L")
SHORT, LONG, CLEAN_FRAMES = 12, 36, 34  # frames a night
EXPOSURE_S = 240.0  # of the short nights
NEW_MOONS = ("2026-08-12", "2026-09-11")  # nights of 4.5 and 7.5 dark hours at 50 degrees north
LONG_NIGHT, LONGEST = "2026-10-10", "2026-12-09"

Rng = np.random.Generator


def whole_nights(seed: int) -> tuple[Script, ...]:
    """Write all nights of a seed."""
    rng = np.random.default_rng([seed, 12])
    bad = [s for n in range(len(SETUPS)) for s in _group(n, rng)]
    return (*bad, *(_clean(n, rng) for n in range(20)), *_hours(rng), *_later(rng))


# --- bad from end to end, with good nights of the same field around them ---------------------


def setup_name(number: int) -> str:
    """Name a rig and frame size."""
    rig, small = SETUPS[number]
    return f"{rig}-small" if small else rig


def _short(number: int, kind: str, evening: date, rng: Rng) -> Script:
    rig, small = SETUPS[number]
    name = f"{setup_name(number)}-{kind}"
    return Script(
        name=name, kind=kind, half=WHOLE, rig=rig, small=small, evening=evening.isoformat(),
        subfolder=name, start_ha_h=float(rng.uniform(-3.0, -1.5)), wander=0.06,
        blocks=(Block(FIELDS[number], (BAND[number],), SHORT, (EXPOSURE_S,)),),
        seeing=float(rng.uniform(0.95, 1.06)),
    )  # fmt: skip


def _group(number: int, rng: Rng) -> list[Script]:
    middle = date.fromisoformat(LONG_NIGHT) + timedelta(days=int(rng.integers(-1, 2)))
    made = [
        _short(number, kind, middle + timedelta(days=days), rng)
        for kind, days in (("good-1", -4), ("good-2", -2), ("good-3", 2), ("good-4", 3))
    ]
    plain = _short(number, "plain", middle, rng)
    made += [
        _named(plain, f"defocus-{nominal}", all_defocus=float(nominal * rng.uniform(0.97, 1.04)))
        for nominal in (1.6, 2.0, 2.6, 3.5)
    ]
    made += [
        _named(
            plain, f"trail-{nominal:.2f}", trail_deg=float(rng.uniform(0.0, 180.0)),
            all_trails=trail_for(nominal, RIGS[plain.rig]),
        )
        for nominal in (0.42, 0.47, 0.52, 0.6)
    ]  # fmt: skip
    return [*made, _named(plain, "haze", haze=float(rng.uniform(0.42, 0.48)))]


def _named(script: Script, kind: str, **changes: object) -> Script:
    name = script.name.replace(script.kind, kind)
    return replace(script, name=name, kind=kind, subfolder=name, **changes)  # type: ignore[arg-type]


# --- clean first nights ----------------------------------------------------------------------

CLEAN_RIGS = ("wren", "heron", "wren", "heron", "plover")
CLEAN_FIELDS = (("NGC 7000",), ("IC 1396",), ("NGC 7331",), ("IC 1396", "NGC 891"), ("NGC 7000",),
                ("NGC 7331", "M 76"))  # fmt: skip
CLEAN_FILTERS = (("L",), LRGB, ("R", "G", "B"), LRGB, ("L",), ("L", "Ha"))


def _clean(number: int, rng: Rng) -> Script:
    """A first night anywhere: seeing of 1.5 to 4 arcsec, glass a little out, the rig's own e."""
    rig = CLEAN_RIGS[number % len(CLEAN_RIGS)]
    evening = _near(NEW_MOONS[number % 2], rng)
    seeing = 1.5 + 2.5 * ((number * 7) % 20 + float(rng.uniform())) / 20.0
    own_e = 0.3 * float(rng.uniform()) if number % 2 else 0.0
    fields = CLEAN_FIELDS[number % len(CLEAN_FIELDS)]
    frames = CLEAN_FRAMES // len(fields)
    exposure_s = filling_s(evening, rig, frames * len(fields))
    filters = CLEAN_FILTERS[number % len(CLEAN_FILTERS)]
    return Script(
        name=f"clean-{number + 1:02d}", kind="clean", half=WHOLE, rig=rig,
        small=number % 4 in (1, 2), evening=evening, subfolder=f"clean-{number + 1:02d}",
        from_dusk_min=float(rng.uniform(1.0, 8.0)),
        blocks=tuple(Block(field, filters, frames, (exposure_s,)) for field in fields),
        seeing=RIGS[rig].seeing_factor(seeing), wander=float(rng.uniform(0.05, 0.1)),
        filter_widths=GLASS if len(filters) > 1 else {},
        optics=Optics(
            tilt=float(rng.uniform(0.0, 0.06)), axis_ratio=math.sqrt(1.0 - own_e**2),
            angle_deg=float(rng.uniform(0.0, 180.0)),
            corner_flattening=float(rng.uniform(0.0, 0.05)),
        ),
        dither_every=(1, 1, 3, 1, 2)[number % 5], town=number % 3 > 0,
        satellites=tuple(int(n) for n in rng.integers(0, frames, 2)),
    )  # fmt: skip


def _near(evening: str, rng: Rng) -> str:
    return (date.fromisoformat(evening) + timedelta(days=int(rng.integers(-3, 3)))).isoformat()


def filling_s(evening: str, rig: str, frames: int, hours: float | None = None) -> float:
    """Give the exposure with which so many frames fill the dark, or some hours of it."""
    dusk, dawn = dark_of(evening, RIGS[rig].rig.site)
    dark_s = (dawn - dusk).total_seconds() if hours is None else 3600.0 * hours
    other_s = 15 * 60.0 + REFOCUS_S * dark_s / REFOCUS_EVERY_S if hours is None else 0.0
    return 10.0 * math.floor(((dark_s - other_s) / frames - OVERHEAD_S - 2.0) / 10.0)


# --- hours on end ----------------------------------------------------------------------------


def _night(
    kind: str, setup: int, rng: Rng, *, field: str = "IC 1396", filters: tuple[str, ...] = ("L",),
    moon: str = NEW_MOONS[0], frames: int = LONG,
) -> Script:  # fmt: skip
    """Plan a clean night from dusk to dawn, to be spoilt."""
    rig, small = SETUPS[setup]
    evening = _near(moon, rng)
    name = f"{kind}-{setup_name(setup)}"
    return Script(
        name=name, kind=kind, half=WHOLE, rig=rig, small=small, evening=evening, subfolder=name,
        from_dusk_min=float(rng.uniform(1.0, 6.0)), wander=0.07,
        blocks=(Block(field, filters, frames, (filling_s(evening, rig, frames),)),),
        filter_widths=GLASS if len(filters) > 1 else {},
    )  # fmt: skip


def _some(rng: Rng, low: int, high: int) -> int:
    return int(rng.integers(low, high + 1))


def _hours(rng: Rng) -> list[Script]:
    return [
        *_trees(rng), *_wet(rng), *_thin(rng), *_drifts(rng), *_settings(rng), *_pointing(rng),
        *_schedule(rng), *_shaken(rng),
    ]  # fmt: skip


def _later(rng: Rng) -> list[Script]:
    """Drifts that fill each filter's own usual, and frames that are out of focus singly."""
    made = []
    for setup, last in ((0, None), (3, 22)):
        drift = Drift(_some(rng, 2, 4), last, 1.75)
        night = _night("drift-long", setup, rng, filters=LRGB, frames=28)
        made.append(replace(night, drifts=(drift,), air_c=(13.0, 9.0)))
    for setup in (2, 1):
        alone = {_some(rng, 6, 10): 1.6, _some(rng, 18, 26): 2.3}
        made.append(replace(_night("once", setup, rng), defocus=alone))
    return made


def _trees(rng: Rng) -> list[Script]:
    made = []
    for setup in (0, 3):  # half of the night behind a tree, at its end or at its beginning
        spans = ((17, 35), (0, 18)) if setup == 0 else ((0, 18), (17, 35))
        first, last = spans[0]
        cover = (0.33, 0.67) if first else (0.67, 0.33)
        side = float(rng.uniform(0.0, 360.0))
        made.append(replace(_night("tree", setup, rng),
                            trees=(Tree(first, last, cover, side, sky_left=0.15),)))  # fmt: skip
    for setup in (2, 1):  # the edge of a roof, sharp and black
        first = _some(rng, 22, 26)
        side = 270.0 + 6.0 * (first - 24)  # cameras do not stand quite level
        roof = Tree(first, LONG - 1, (0.2, 0.55), side, sky_left=0.08, soft=0.03)
        made.append(replace(_night("roof", setup, rng), trees=(roof,)))
    return made


def _wet(rng: Rng) -> list[Script]:
    first = _some(rng, 10, 14)
    made = [
        replace(_night("dew", 1, rng), dew=Dew(first, first + _some(rng, 14, 17), 0.3)),
        replace(_night("dew", 2, rng), dew=Dew(first, first + _some(rng, 14, 17), 0.35, halo=0.3)),
    ]
    for setup in (0, 3):
        night = _night("plateau", setup, rng)
        first, long = _some(rng, 12, 18), round(3600.0 / (night.blocks[0].exposures_s[0] + 18))
        made.append(replace(night, plateau=Plateau(first, first + long - 1, 0.5)))
    return made


def _thin(rng: Rng) -> list[Script]:
    made = []
    for setup in (2, 1):
        night = _night("cirrus", setup, rng)
        first, long = _some(rng, 8, 14), round(7200.0 / (night.blocks[0].exposures_s[0] + 18))
        made.append(replace(night, cirrus=Cirrus(first, first + long - 1, 0.05, 0.15)))
    return made


def _drifts(rng: Rng) -> list[Script]:
    made = []
    for setup, ended in ((0, True), (3, True), (2, False), (1, False)):
        kind = "drift-ended" if ended else "drift-open"
        stuck = _some(rng, 8, 12) if ended else _some(rng, 16, 20)
        drift = Drift(stuck, stuck + _some(rng, 16, 20) if ended else None, 1.7)
        night = _night(kind, setup, rng, filters=LRGB, frames=40)
        made.append(replace(night, drifts=(drift,), air_c=(13.0, 9.0)))
    return made


def _settings(rng: Rng) -> list[Script]:
    """Two lengths in turn, two by two pixels, and a gain that the header does not tell."""
    made = []
    for setup, binned in ((0, False), (2, True), (3, True)):
        night = _night("binned" if binned else "mixed", setup, rng, field="NGC 7331")
        length = night.blocks[0].exposures_s[0]
        blocks = (Block("NGC 7331", ("L",), 24, (round(length / 2, -1), round(1.5 * length, -1))),
                  Block("NGC 7331", ("L",), 12, (length,), 2 if binned else 1))  # fmt: skip
        made.append(replace(night, blocks=blocks))
    for number, missing in ((1, ("EGAIN",)), (2, ())):
        gain = _night("gain", 1, rng, field="NGC 7331", frames=24, moon=NEW_MOONS[number - 1])
        name = f"gain-{number}"
        made.append(replace(gain, name=name, subfolder=name, missing=missing))
    return made


def _pointing(rng: Rng) -> list[Script]:
    return [
        replace(_night("dither", 1, rng), dither_every=3),
        replace(_night("dither", 2, rng), dither_every=4),
        replace(_night("turned", 0, rng), turn=Turn(_some(rng, 12, 24), 2.3)),
        replace(_night("turned", 3, rng), turn=Turn(_some(rng, 12, 24), -2.3)),
    ]


def _schedule(rng: Rng) -> list[Script]:
    made = []
    for setup in (0, 3):  # stops with five hours of dark left, the target high
        night = _night("early-stop", setup, rng, field="NGC 891", moon=LONG_NIGHT)
        made.append(_lasting(night, _dark_h(night) - 5.0))
    for setup in (2, 1):
        night = _night("late-start", setup, rng, field="NGC 891", moon=LONG_NIGHT)
        made.append(replace(_lasting(night, _dark_h(night) - 3.4), from_dusk_min=180.0))
    for setup in (0, 3):  # cloud closes in and the run is given up
        night = _lasting(_night("stop-cloud", setup, rng, field="NGC 891", moon=LONG_NIGHT), 4.5)
        made.append(replace(night, clouds=(Cloud(LONG + 1.0, 3.0, 0.97),)))
    for setup in (2, 1):  # NGC 7331 sinks to 20 degrees about midnight
        night = _night("set-target", setup, rng, field="NGC 7331", moon=LONGEST)
        made.append(_lasting(night, 6.6))
    return made


def _dark_h(night: Script) -> float:
    dusk, dawn = dark_of(night.evening, RIGS[night.rig].rig.site)
    return (dawn - dusk).total_seconds() / 3600.0


def _lasting(night: Script, hours: float) -> Script:
    block = night.blocks[0]
    length = filling_s(night.evening, night.rig, block.frames, hours)
    return replace(night, blocks=(replace(block, exposures_s=(length,)),))


def _shaken(rng: Rng) -> list[Script]:
    """Single gusts, gusts and bursts, and for comparison a mount that always trails one way."""
    made = []
    for setup in (0, 3):
        chosen = rng.choice(LONG // 3, 6, replace=False) * 3 + 1
        gusts = {int(n): float(rng.uniform(1.1, 1.9)) for n in sorted(chosen)}
        if setup == 3:
            gusts |= {int(chosen[0]) + 1: 1.3, int(chosen[1]) + 1: 1.6}
        made.append(replace(_night("wind", setup, rng), trails=gusts, gusty=True))
    for setup in (1, 2):
        chosen = rng.choice(LONG // 3, 7, replace=False) * 3 + 1
        trails = {int(n): float(rng.uniform(1.1, 1.9)) for n in sorted(chosen)}
        made.append(replace(_night("tracking", setup, rng), trails=trails, trail_deg=72.0))
    return made
