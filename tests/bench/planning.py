"""A script of a labelled night becomes planned frames with what is true of each."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache

import numpy as np

from samples.maker.psf import Psf
from samples.maker.scenario import FILTERS, Filter, Target
from samples.maker.shot import CardValue, Ends, Scene, Shot
from samples.maker.sky import (
    Circumstances,
    Direction,
    brightness_mag,
    circumstances,
    hour_angle_deg,
    magnitudes,
    nanolamberts,
    twilight_nl,
)
from samples.maker.spoil import Glitch, Shade
from samples.maker.stars import Placement, glow_e_s, glow_map, zero_point_e_s

from .labels import FrameLabel
from .rigs import (
    COLUMNS,
    ELSEWHERE,
    GLOWING,
    MARGIN_PX,
    PLACES,
    RIGS,
    ROWS,
    BenchRig,
    blur_for,
    clean_fwhm_px,
    widening,
)

OVERHEAD_S, FLIP_S, SLEW_S, REFOCUS_S = 17.0, 150.0, 75.0, 110.0
REFOCUS_EVERY_S = 3600.0  # common practice, no source
NEUTRAL_STEPS = 11240
STEP_UM = 3.2
MEMORY, JITTER = 0.92, 0.015  # seeing remembers about ten frames; the rest is frame to frame
FIELD_SEED = 7


@dataclass(frozen=True, slots=True)
class Block:
    """Frames of one target; filters and exposures are taken in turn."""

    target: str
    filters: tuple[str, ...]
    frames: int
    exposures_s: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Drift:
    """The focuser stands still from a frame on while the air cools, until a refocus or the end."""

    stuck: int
    refocus: int | None
    peak: float  # times the clean width at the last frame before the refocus


@dataclass(frozen=True, slots=True)
class Cloud:
    """A passage: its middle, its width (one standard deviation, frames) and its depth."""

    middle: float
    width: float
    depth: float


@dataclass(frozen=True, slots=True)
class Lamp:
    """Light from the neighbourhood over some frames, as a factor on the sky."""

    first: int
    last: int
    factor: float


@dataclass(frozen=True, slots=True)
class Tree:
    """The target sinks behind something: cover grows from one value to another."""

    first: int
    last: int
    cover: tuple[float, float]
    from_deg: float


@dataclass(frozen=True, slots=True)
class Dew:
    """Dew grows on the glass: the light left falls from 1 to `left`, then it is wiped off."""

    first: int
    last: int
    left: float


@dataclass(frozen=True, slots=True)
class Jump:
    """The pointing jumps by shares of columns and rows and stays, until recentred or the end."""

    first: int
    last: int
    x: float
    y: float
    told: bool  # whether the mount knows and the header says so


@dataclass(frozen=True, slots=True, kw_only=True)
class Script:
    """What is planned for one night and what goes wrong; light frames are numbered from 0."""

    name: str
    kind: str
    half: str  # tune or held-out
    rig: str
    evening: str
    blocks: tuple[Block, ...]
    start_ha_h: float | None = None  # hour angle of the first target when the run begins
    start_utc: str | None = None  # time of day, where the hour angle does not say
    seeing: float = 1.0  # against the rig's usual
    wander: float = 0.085  # of the width, one standard deviation
    wander_most: float = 0.2
    air_c: tuple[float, float] = (12.0, 5.0)  # at the start, and how far it falls
    town: bool = True  # cloud throws light back; far from towns it makes the sky darker
    zero_known: bool = True
    dithered: bool = True
    trails: dict[int, float] = field(default_factory=dict)  # lengths over the clean width
    doubled: dict[int, float] = field(default_factory=dict)
    defocus: dict[int, float] = field(default_factory=dict)  # single frames, times the width
    drifts: tuple[Drift, ...] = ()
    clouds: tuple[Cloud, ...] = ()
    lamps: tuple[Lamp, ...] = ()
    trees: tuple[Tree, ...] = ()
    dew: Dew | None = None
    jump: Jump | None = None
    lost: tuple[int, int] | None = None  # frames on a wrong field
    lost_told: bool = False
    capped: tuple[int, int] | None = None
    glitches: dict[int, Glitch] = field(default_factory=dict)
    satellites: tuple[int, ...] = ()
    pause: tuple[int, float] | None = None  # before this frame, minutes
    warm: tuple[int, int, float] | None = None  # frames and the most the sensor warms up
    missing: tuple[str, ...] = ()  # header keywords left out

    @property
    def folder(self) -> str:
        """Name the night's folder without giving away what happens in it."""
        return f"{self.evening}-{self.rig}"

    @property
    def frames(self) -> int:
        """Count the light frames."""
        return sum(block.frames for block in self.blocks)


@dataclass(frozen=True, slots=True)
class Planned:
    """A night ready to be drawn."""

    script: Script
    shots: list[Shot]  # light frames
    labels: list[FrameLabel]  # one a light frame
    bias: list[Shot]


@dataclass(slots=True)
class Mount:
    """The state of rig and sky as the night goes on."""

    script: Script
    rig: BenchRig
    rng: np.random.Generator
    now_utc: datetime
    began_utc: datetime
    wander: float = 0.0
    pier_side: str | None = None
    focus_c: float = 0.0  # the temperature the focuser stands right for
    focus_at_utc: datetime | None = None
    slip_um: float = 0.0
    taken: int = 0
    drift_px: tuple[float, float] = (0.0, 0.0)
    counters: dict[str, int] = field(default_factory=dict)

    def air_c(self, at_utc: datetime) -> float:
        """Give the air temperature: it falls fast at dusk and slowly towards dawn."""
        start, drop = self.script.air_c
        hours = (at_utc - self.began_utc).total_seconds() / 3600.0
        return start - drop * (1.0 - math.exp(-hours / 3.0))


def _start_utc(script: Script, rig: BenchRig) -> datetime:
    evening = datetime.fromisoformat(script.evening).replace(tzinfo=UTC)
    if script.start_utc is not None:
        hour, minute = map(int, script.start_utc.split(":"))
        after_midnight = timedelta(days=1 if hour < 12 else 0)
        return evening + after_midnight + timedelta(hours=hour, minutes=minute)
    target = PLACES[script.blocks[0].target]
    noon = evening + timedelta(hours=11)
    angle_h = hour_angle_deg(_direction(target), noon, rig.rig.site) / 15.0
    assert script.start_ha_h is not None
    return noon + timedelta(hours=((script.start_ha_h - angle_h) % 24.0) * 0.99727)


def _direction(target: Target) -> Direction:
    return Direction(target.ra_deg, target.dec_deg)


# --- seeing, focus, guiding -----------------------------------------------------------------


def _next_seeing(mount: Mount) -> float:
    """Let the seeing wander, within bounds, and shake a little from frame to frame."""
    script, rng = mount.script, mount.rng
    step = script.wander * math.sqrt(1.0 - MEMORY**2)
    wander = MEMORY * mount.wander + rng.normal(0.0, step)
    mount.wander = float(np.clip(wander, -script.wander_most, script.wander_most))
    return math.exp(mount.wander + rng.normal(0.0, JITTER))


def _seeing_for(width: float, rig: BenchRig) -> float:
    """Give the seeing that makes the core so many times as wide as usual, optics unchanged."""
    optics = rig.rig.telescope.optics_fwhm_arcsec
    whole = width * math.hypot(rig.seeing_arcsec, optics)
    return math.sqrt(max(whole**2 - optics**2, 0.3**2))


def _drift_of(script: Script, number: int) -> Drift | None:
    """Find the drift a frame lies in."""
    for drift in script.drifts:
        last = script.frames if drift.refocus is None else drift.refocus
        if drift.stuck <= number < last:
            return drift
    return None


def _refocus_due(mount: Mount) -> bool:
    """Run the focuser about every hour, but not while it is stuck; a drift ends with a run."""
    number = mount.taken
    if any(drift.refocus == number for drift in mount.script.drifts):
        return True
    if mount.focus_at_utc is None or _drift_of(mount.script, number):
        return False
    near = any(0 <= drift.stuck - number <= 4 for drift in mount.script.drifts)
    since_s = (mount.now_utc - mount.focus_at_utc).total_seconds()
    return since_s > REFOCUS_EVERY_S and not near


def _refocus(mount: Mount) -> None:
    mount.now_utc += timedelta(seconds=REFOCUS_S)
    _set_focus(mount)


def _set_focus(mount: Mount) -> None:
    mount.focus_at_utc = mount.now_utc
    mount.focus_c = mount.air_c(mount.now_utc)
    mount.slip_um = float(mount.rng.normal(0.0, 4.0))  # a focus run is not perfect


def _follow_air(mount: Mount) -> None:
    """Move the focuser with the air, by a third of a degree at a time."""
    air_c = mount.air_c(mount.now_utc)
    if _drift_of(mount.script, mount.taken) is None and abs(air_c - mount.focus_c) > 0.3:
        mount.focus_c = air_c


def _focus_steps(mount: Mount, band: Filter) -> int:
    where_um = mount.rig.focus_um_c * (mount.focus_c - 10.0) + mount.slip_um
    return NEUTRAL_STEPS + round((where_um + band.focus_offset_um) / STEP_UM)


def _px_of_um(rig: BenchRig, error_um: float) -> float:
    telescope = rig.rig.telescope
    ratio = telescope.focal_mm / telescope.aperture_mm
    return abs(error_um) / ratio / rig.rig.camera.pixel_um


def _blur_px(mount: Mount, clean_px: float) -> float:
    """Give the out-of-focus disc: a single error, a drift with the air, or what is always left."""
    script, number = mount.script, mount.taken
    if number in script.defocus:
        return blur_for(script.defocus[number], clean_px, mount.rig)
    left_um = mount.rig.focus_um_c * (mount.focus_c - mount.air_c(mount.now_utc)) + mount.slip_um
    drift = _drift_of(script, number)
    usual_px = _px_of_um(mount.rig, left_um if drift is None else mount.slip_um)
    if drift is None:
        return usual_px
    usual_clean = clean_fwhm_px(mount.rig.usual_core_px, mount.rig.rig.optics)
    grown_px = blur_for(drift.peak, usual_clean, mount.rig) * _cooled(mount, drift)
    return math.hypot(usual_px, grown_px)


def _cooled(mount: Mount, drift: Drift) -> float:
    """Give how far the air has cooled since the focuser stuck, 1 at the drift's last frame."""
    last = (mount.script.frames if drift.refocus is None else drift.refocus) - 1
    step_s = mount.script.blocks[0].exposures_s[0] + OVERHEAD_S
    stuck_c = mount.focus_c
    now_c = mount.air_c(mount.now_utc)
    end_c = mount.air_c(mount.now_utc + timedelta(seconds=step_s * (last - mount.taken)))
    return min(1.0, max(0.0, (stuck_c - now_c) / max(stuck_c - end_c, 1e-6)))


# --- sky ------------------------------------------------------------------------------------


def _cloud_left(script: Script, number: int) -> float:
    left = 1.0
    for cloud in script.clouds:
        left *= 1.0 - cloud.depth * math.exp(-0.5 * ((number - cloud.middle) / cloud.width) ** 2)
    return left


def _lamp(script: Script, number: int) -> float:
    return math.prod(
        lamp.factor for lamp in script.lamps if lamp.first <= number <= lamp.last
    )  # fmt: skip


@lru_cache(maxsize=16)
def _glow_share(key: str, arcsec_px: float) -> float:
    """Give the middle of a target's glow over a frame against its peak."""
    target = PLACES[key]
    seed = FIELD_SEED * 1000 + sum(key.encode())
    glow = glow_map(target.glow, seed, (ROWS, COLUMNS), arcsec_px, MARGIN_PX)
    middle, reach = glow.shape[0] // 2, COLUMNS // 16
    return float(np.median(glow[middle - reach : middle + reach, middle - reach : middle + reach]))


@dataclass(frozen=True, slots=True)
class SkyLight:
    """Diffuse light: electrons a second and pixel as drawn, and what makes it what it is."""

    e_s: float
    ratio: float  # over the same frame on a moonless night, without lamps and cloud
    comes_from: str


def _sky_light(mount: Mount, target: Target, band: Filter, at: Circumstances) -> SkyLight:
    rig, script, number = mount.rig.rig, mount.script, mount.taken
    zero = zero_point_e_s(band, rig.telescope.area_cm2, rig.telescope.throughput)
    lit_mag, dark_mag = brightness_mag(at, band)
    lit, dark = (zero * 10 ** (-0.4 * mag) * rig.arcsec_px**2 for mag in (lit_mag, dark_mag))
    lamp = _lamp(script, number)
    extinction = 10 ** (-0.4 * band.extinction_mag * at.airmass)
    always = rig.camera.dark_e_s
    if target.key in GLOWING:
        peak = glow_e_s(target, band, zero, rig.arcsec_px**2)
        always += peak * extinction * _glow_share(target.key, rig.arcsec_px)
    # A lamp multiplies all diffuse light, so that the factor is what a measurement sees.
    open_sky = lit + (lamp - 1.0) * (lit + always)
    cloud = _cloud_left(script, number)
    thrown_back = 1.0 + (1.1 if script.town else -0.35) * (1.0 - cloud)
    return SkyLight(
        open_sky * thrown_back, (open_sky + always) / (dark + always), _brightener(at, lamp)
    )


def _brightener(at: Circumstances, lamp: float) -> str:
    if lamp > 1.0:
        return "lamp"
    if at.sun_alt_deg > -18.0 and twilight_nl(at.sun_alt_deg) > nanolamberts(magnitudes(20.0)):
        return "dawn"
    return "moon" if at.moon_alt_deg > 0 else ""


def _gradient(mount: Mount, at: Circumstances) -> tuple[float, float]:
    """Slope the sky: more of it low down, under the Moon, and through patchy cloud."""
    low, moon = 0.03 * at.airmass, 0.04 if at.moon_alt_deg > 0 else 0.0
    patchy = 0.2 * (1.0 - _cloud_left(mount.script, mount.taken))
    x, y = mount.rng.normal(0.0, 0.4, 2)
    return float((low + moon) * (1 + 0.2 * x) + patchy * x), float(low * (1 + 0.2 * y) + patchy * y)


def _dew_left(script: Script, number: int) -> float:
    dew = script.dew
    if dew is None or not dew.first <= number <= dew.last:
        return 1.0
    return 1.0 - (1.0 - dew.left) * (number - dew.first + 1) / (dew.last - dew.first + 1)


def _cover(script: Script, number: int) -> tuple[float, float]:
    """Give how much of the field is behind something, and on which side."""
    for tree in script.trees:
        if tree.first <= number <= tree.last:
            along = (number - tree.first) / max(tree.last - tree.first, 1)
            return tree.cover[0] + along * (tree.cover[1] - tree.cover[0]), tree.from_deg
    return 0.0, 0.0


# --- pointing -------------------------------------------------------------------------------


def _within(span: tuple[int, int] | None, number: int) -> bool:
    return span is not None and span[0] <= number <= span[1]


def _jump_px(script: Script, number: int) -> tuple[float, float]:
    jump = script.jump
    if jump is None or not jump.first <= number <= jump.last:
        return 0.0, 0.0
    return jump.x * COLUMNS, jump.y * ROWS


def _placement(mount: Mount, target: Target) -> tuple[Placement, Placement]:
    """Give where the field lies, and where the mount believes it lies."""
    if mount.script.dithered:
        x, y = mount.rng.uniform(-12.0, 12.0, 2)
    else:
        mount.drift_px = (mount.drift_px[0] + 0.03, mount.drift_px[1] - 0.015)
        x, y = np.array(mount.drift_px) + mount.rng.normal(0.0, 0.15, 2)
    flipped = mount.pier_side == "EAST"
    off = 6.0 if flipped else 0.0  # centring after a flip is good to some pixels only
    turn = target.angle_deg + (180.0 if flipped else 0.0)
    meant = Placement(float(x) + off, float(y) - off, turn)
    jump = _jump_px(mount.script, mount.taken)
    lies = replace(
        meant, shift_x_px=meant.shift_x_px + jump[0], shift_y_px=meant.shift_y_px + jump[1]
    )
    told = mount.script.jump is not None and mount.script.jump.told
    return lies, lies if told else meant


def _pointing(rig: BenchRig, target: Target, place: Placement) -> Direction:
    turn = math.radians(place.rotation_deg)
    east = -(place.shift_x_px * math.cos(turn) + place.shift_y_px * math.sin(turn))
    north = -(place.shift_y_px * math.cos(turn) - place.shift_x_px * math.sin(turn))
    degrees = rig.rig.arcsec_px / 3600.0
    dec = target.dec_deg + north * degrees
    return Direction(target.ra_deg + east * degrees / math.cos(math.radians(dec)), dec)


def _flip_if_due(mount: Mount, target: Target) -> None:
    angle_h = hour_angle_deg(_direction(target), mount.now_utc, mount.rig.rig.site) / 15.0
    side = "EAST" if angle_h > 0.05 else "WEST"
    if mount.pier_side == "WEST" and side == "EAST":
        mount.now_utc += timedelta(seconds=FLIP_S)
    mount.pier_side = side


# --- one frame ------------------------------------------------------------------------------


def _psf(mount: Mount, core_px: float, clean_px: float) -> Psf:
    script, number, rng = mount.script, mount.taken, mount.rng
    dew = _dew_left(script, number)
    return Psf(
        fwhm_px=core_px,
        axis_ratio=1.0 - abs(rng.normal(0.02, 0.012)),  # guiding is never quite even
        angle_deg=(8.0 + rng.normal(0.0, 12.0)) % 180.0,
        blur_px=_blur_px(mount, clean_px),
        blur_hole=mount.rig.rig.telescope.obstruction,
        trail_px=script.trails.get(number, 0.0) * clean_px,
        trail_deg=(14.0 + rng.normal(0.0, 5.0)) % 180.0,
        double_px=script.doubled.get(number, 0.0) * clean_px,
        double_deg=118.0 + 20.0 * (number % 3),
        double_share=0.3 + 0.05 * (number % 4),
        halo_share=0.6 * (1.0 - dew),
        halo_px=3.0 * clean_px,
    )


def _streaks(mount: Mount) -> tuple[Ends, ...]:
    if mount.taken not in mount.script.satellites:
        return ()
    left, right = mount.rng.uniform(0.05, 0.95, 2) * (ROWS - 1)
    return ((0.0, float(left), COLUMNS - 1.0, float(right)),)


def _scene(mount: Mount, target: Target, place: Placement, psf: Psf, e_s: float,
           at: Circumstances, band: Filter) -> Scene:  # fmt: skip
    script, number = mount.script, mount.taken
    cover, side = _cover(script, number)
    dark = _within(script.capped, number)
    light = _cloud_left(script, number) * (0.4 + 0.6 * _dew_left(script, number))
    return Scene(
        target=ELSEWHERE if _within(script.lost, number) else target,
        place=place,
        psf=psf,
        stars=mount.rig.stars,
        sky_e_s=0.0 if dark else e_s,
        gradient=_gradient(mount, at),
        transparency=0.0 if dark else light,
        extinction=10 ** (-0.4 * band.extinction_mag * at.airmass),
        streaks=_streaks(mount),
        glow=target.key in GLOWING and not _within(script.lost, number),
        margin_px=MARGIN_PX,
        shade=Shade(side, cover) if cover > 0 else None,
    )


def _sensor_off_c(script: Script, number: int) -> float:
    if script.warm is None or not script.warm[0] <= number <= script.warm[1]:
        return 0.0
    first, last, most = script.warm
    return most * min(1.0, (number - first + 1) / max((last - first) / 3, 1))


def _cards(script: Script) -> tuple[tuple[str, CardValue], ...]:
    return tuple((keyword, None) for keyword in script.missing)


def _path(mount: Mount, block: Block, band: Filter, exposure_s: float) -> str:
    name = f"{block.target.replace(' ', '')}_{band.key}_{exposure_s:.0f}s"
    mount.counters[name] = mount.counters.get(name, 0) + 1
    return f"{mount.script.folder}/frames/{name}_{mount.counters[name]:04d}.fits"


def _to_millisecond(moment: datetime) -> datetime:
    return moment.replace(microsecond=moment.microsecond // 1000 * 1000)


def _frame(mount: Mount, block: Block, place_in_block: int, seed: tuple[int, ...]) -> tuple[Shot, FrameLabel]:  # fmt: skip
    script, number, rig = mount.script, mount.taken, mount.rig
    target = PLACES[block.target]
    band = FILTERS[block.filters[place_in_block % len(block.filters)]]
    exposure_s = block.exposures_s[place_in_block % len(block.exposures_s)]
    refocused = _prepare(mount, target)
    middle = mount.now_utc + timedelta(seconds=exposure_s / 2)
    at = circumstances(_direction(target), middle, rig.rig.site)
    width = script.seeing * _next_seeing(mount)
    seeing = _seeing_for(width, rig)
    core_px = rig.core_px(seeing * at.airmass**0.6)
    clean_px = clean_fwhm_px(core_px, rig.rig.optics)
    psf = _psf(mount, core_px, clean_px)
    sky = _sky_light(mount, target, band, at)
    place, believed = _placement(mount, target)
    scene = _scene(mount, target, place, psf, sky.e_s, at, band)
    warm_c = _sensor_off_c(script, number)
    pointing = ELSEWHERE if _within(script.lost, number) and script.lost_told else target
    shot = Shot(
        path=_path(mount, block, band, exposure_s),
        kind="light",
        rig=rig.rig,
        seed=(*seed, number),
        start_utc=_to_millisecond(mount.now_utc),
        exposure_s=exposure_s,
        field_seed=FIELD_SEED,
        sensor_c=rig.rig.camera.set_c + mount.rng.normal(0.0, 0.08) + warm_c,
        air_c=mount.air_c(mount.now_utc),
        focus_steps=_focus_steps(mount, band),
        band=band,
        filter_written=band.key,
        target_written=block.target,
        pointing=_pointing(rig, pointing, believed),
        pier_side=mount.pier_side,
        at=at,
        scene=scene,
        glitch=script.glitches.get(number),
        cards=_cards(script),
    )
    zenith_px = clean_fwhm_px(rig.core_px(seeing), rig.rig.optics)
    usual_px = clean_fwhm_px(rig.usual_core_px, rig.rig.optics)
    jump = _jump_px(script, number)
    label = FrameLabel(
        file=shot.path.split("/", 2)[2],
        number=number,
        start_utc=shot.start_utc.isoformat(),
        exposure_s=exposure_s,
        target=block.target,
        filter=band.key,
        pier_side=mount.pier_side or "",
        airmass=at.airmass,
        sun_alt_deg=at.sun_alt_deg,
        moon_alt_deg=at.moon_alt_deg,
        clean_px=clean_px,
        usual_ratio=zenith_px / usual_px,
        night_ratio=zenith_px / usual_px,  # the night's median is taken out when it is over
        defocus=widening(psf.blur_px, clean_px, rig),
        trail_fwhm=script.trails.get(number, 0.0),
        double_fwhm=script.doubled.get(number, 0.0),
        transparency=_cloud_left(script, number),
        dew_light=_dew_left(script, number),
        sky_ratio=sky.ratio,
        sky_from=sky.comes_from,
        covered=_cover(script, number)[0],
        off_field=math.hypot(*jump) / ROWS,
        wrong_field=_within(script.lost, number),
        cap=_within(script.capped, number),
        glitch=script.glitches[number].kind if number in script.glitches else "",
        streaks=len(scene.streaks),
        sensor_off_c=warm_c,
        refocused=refocused,
        after_pause=script.pause is not None and script.pause[0] == number,
        shift_x_px=place.shift_x_px,
        shift_y_px=place.shift_y_px,
        rotation_deg=place.rotation_deg,
    )
    mount.taken += 1
    mount.now_utc += timedelta(seconds=exposure_s + OVERHEAD_S + mount.rng.uniform(-3.0, 6.0))
    return shot, label


def _prepare(mount: Mount, target: Target) -> bool:
    """Let time pass and turn the mount over as due before a frame; tell of a focus run."""
    if mount.script.pause is not None and mount.script.pause[0] == mount.taken:
        mount.now_utc += timedelta(minutes=mount.script.pause[1])
    _flip_if_due(mount, target)
    due = _refocus_due(mount)
    if due:
        _refocus(mount)
    _follow_air(mount)
    return due


def _frames(mount: Mount, seed: tuple[int, ...]) -> Iterator[tuple[Shot, FrameLabel]]:
    last_target = None
    for block in mount.script.blocks:
        if last_target not in (None, block.target):
            mount.pier_side = None
            mount.now_utc += timedelta(seconds=SLEW_S)
        last_target = block.target
        for place in range(block.frames):
            yield _frame(mount, block, place, seed)


def _bias(script: Script, rig: BenchRig, seed: tuple[int, ...]) -> list[Shot]:
    """Plan three bias frames of the next morning."""
    if not script.zero_known:
        return []
    day = datetime.fromisoformat(script.evening + "T08:05:00+00:00") + timedelta(days=1)
    return [
        Shot(
            path=f"{script.folder}/frames/bias/bias_{n + 1:03d}.fits",
            kind="bias",
            rig=rig.rig,
            seed=(*seed, 900 + n),
            start_utc=day + timedelta(seconds=5 * n),
            exposure_s=0.0,
            image_type="Bias Frame",
            sensor_c=rig.rig.camera.set_c,
        )
        for n in range(3)
    ]


def plan_night(script: Script, seed: tuple[int, ...]) -> Planned:
    """Plan every frame of a night without drawing any."""
    rig = RIGS[script.rig] if script.zero_known else RIGS[script.rig].with_unknown_zero()
    start = _start_utc(script, rig)
    mount = Mount(script, rig, np.random.default_rng([*seed, 5]), start, start)
    mount.wander = float(mount.rng.normal(0.0, script.wander / 2))
    _set_focus(mount)
    made = list(_frames(mount, seed))
    shots, labels = [shot for shot, _ in made], [label for _, label in made]
    median = float(np.median([label.usual_ratio for label in labels]))
    labels = [replace(label, night_ratio=label.usual_ratio / median) for label in labels]
    return Planned(script, shots, labels, _bias(script, rig, seed))
