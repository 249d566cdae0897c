"""A script of a labelled night becomes planned frames with what is true of each."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import ephem
import numpy as np

from samples.maker.psf import Optics, Psf, mean_psf, measured_shape
from samples.maker.scenario import FILTERS, Filter, Site, Target
from samples.maker.shot import CardValue, Ends, Scene, Shot
from samples.maker.sky import Circumstances, circumstances
from samples.maker.spoil import Shade
from samples.maker.stars import Placement

from .labels import FrameLabel
from .mount import (
    SLEW_S,
    Mount,
    begin,
    blur_px,
    direction,
    focus_steps,
    next_seeing,
    pass_time,
    placement,
    pointing,
    prepare,
)
from .rigs import (
    ELSEWHERE,
    GLOWING,
    MARGIN_PX,
    PLACES,
    RIGS,
    BenchRig,
    clean_fwhm_px,
    seeing_for,
    widening,
)
from .script import Block, Script
from .skylight import FIELD_SEED, SkyLight, extinction, gradient, sky_light

SHAPE_STEPS = 8  # fine enough for an eccentricity to 0.005


@dataclass(frozen=True, slots=True)
class Planned:
    """A night ready to be drawn."""

    script: Script
    shots: list[Shot]  # light frames
    labels: list[FrameLabel]  # one a light frame
    bias: list[Shot]


@dataclass(frozen=True, slots=True)
class Look:
    """Where and how the next frame looks, before anything is drawn."""

    target: Target
    band: Filter
    exposure_s: float
    at: Circumstances
    refocused: bool
    core_px: float
    clean_px: float
    zenith_px: float  # clean width with the air's part taken out
    sky: SkyLight
    place: Placement
    believed: Placement


def _look(mount: Mount, block: Block, place_in_block: int) -> Look:
    rig = mount.rig
    target = PLACES[block.target]
    band = FILTERS[block.filters[place_in_block % len(block.filters)]]
    exposure_s = block.exposures_s[place_in_block % len(block.exposures_s)]
    refocused = prepare(mount, target)
    middle = mount.now_utc + timedelta(seconds=exposure_s / 2)
    at = circumstances(direction(target), middle, rig.rig.site)
    glass = mount.script.filter_widths.get(band.key, 1.0)
    seeing = seeing_for(mount.script.seeing * glass * next_seeing(mount), rig)
    core_px = rig.core_px(seeing * at.airmass**0.6)
    sky = sky_light(mount, target, band, at)
    place, believed = placement(mount, target)
    return Look(
        target, band, exposure_s, at, refocused, core_px,
        clean_fwhm_px(core_px, rig.rig.optics), clean_fwhm_px(rig.core_px(seeing), rig.rig.optics),
        sky, place, believed,
    )  # fmt: skip


# --- drawing --------------------------------------------------------------------------------


def _guiding(mount: Mount) -> tuple[float, float]:
    """Give axis ratio and angle of an untrailed star: guiding is never quite even."""
    ratio = 1.0 - abs(mount.rng.normal(0.02, 0.012))
    angle_deg = (8.0 + mount.rng.normal(0.0, 12.0)) % 180.0
    pinched = mount.script.optics
    if pinched.axis_ratio < 1.0:
        return pinched.axis_ratio, pinched.angle_deg
    return float(ratio), float(angle_deg)


def _psf(mount: Mount, look: Look) -> Psf:
    script, number = mount.script, mount.taken
    ratio, angle_deg = _guiding(mount)
    return Psf(
        fwhm_px=look.core_px,
        axis_ratio=ratio,
        angle_deg=angle_deg,
        blur_px=blur_px(mount, look.clean_px),
        blur_hole=mount.rig.rig.telescope.obstruction,
        trail_px=script.trail(number) * look.clean_px,
        trail_deg=_trail_deg(mount),
        double_px=script.doubled.get(number, 0.0) * look.clean_px,
        double_deg=118.0 + 20.0 * (number % 3),
        double_share=0.3 + 0.05 * (number % 4),
        halo_share=script.dew_halo(number),
        halo_px=3.0 * look.clean_px,
    )


def _trail_deg(mount: Mount) -> float:
    """Trail the same way each time, or anywhere in gusts of wind."""
    spread_deg = mount.rng.normal(0.0, 5.0)
    if mount.script.gusty:
        return float(mount.rng.uniform(0.0, 180.0))
    return float((mount.script.trail_deg + spread_deg) % 180.0)


def _streaks(mount: Mount) -> tuple[Ends, ...]:
    if mount.taken not in mount.script.satellites:
        return ()
    rows, columns = mount.rig.rig.camera.shape
    left, right = mount.rng.uniform(0.05, 0.95, 2) * (rows - 1)
    return ((0.0, float(left), columns - 1.0, float(right)),)


def _scene(mount: Mount, look: Look, psf: Psf) -> Scene:
    script, number = mount.script, mount.taken
    tree, cover = script.tree_at(number)
    lost, dark = script.is_lost(number), script.is_capped(number)
    light = script.cloud_left(number) * script.dew_light(number) * script.plateau_left(number)
    return Scene(
        target=ELSEWHERE if lost else look.target,
        place=look.place,
        psf=psf,
        stars=mount.rig.stars,
        sky_e_s=0.0 if dark else look.sky.e_s,
        gradient=gradient(mount, look.at),
        transparency=0.0 if dark else light,
        extinction=extinction(look.band, look.at),
        streaks=_streaks(mount),
        glow=look.target.key in GLOWING and not lost,
        margin_px=MARGIN_PX,
        shade=Shade(tree.from_deg, cover, tree.soft, tree.sky_left) if tree else None,
    )


def _path(mount: Mount, block: Block, look: Look) -> str:
    name = f"{block.target.replace(' ', '')}_{look.band.key}_{look.exposure_s:.0f}s"
    name += f"_bin{block.binning}" if block.binning > 1 else ""
    mount.counters[name] = mount.counters.get(name, 0) + 1
    return f"{mount.script.folder}/frames/{name}_{mount.counters[name]:04d}.fits"


def _to_millisecond(moment: datetime) -> datetime:
    return moment.replace(microsecond=moment.microsecond // 1000 * 1000)


def _cards(script: Script) -> tuple[tuple[str, CardValue], ...]:
    return tuple((keyword, None) for keyword in script.missing)


def _shot(mount: Mount, block: Block, look: Look, scene: Scene, seed: tuple[int, ...]) -> Shot:
    script, number, rig = mount.script, mount.taken, mount.rig
    elsewhere = script.is_lost(number) and script.lost_told
    return Shot(
        path=_path(mount, block, look),
        kind="light",
        rig=rig.rig,
        seed=(*seed, number),
        start_utc=_to_millisecond(mount.now_utc),
        exposure_s=look.exposure_s,
        binning=block.binning,
        field_seed=FIELD_SEED,
        sensor_c=rig.rig.camera.set_c + mount.rng.normal(0.0, 0.08) + script.warm_c(number),
        air_c=mount.air_c(mount.now_utc),
        focus_steps=focus_steps(mount, look.band),
        band=look.band,
        filter_written=look.band.key,
        target_written=block.target,
        pointing=pointing(rig, ELSEWHERE if elsewhere else look.target, look.believed),
        pier_side=mount.pier_side,
        at=look.at,
        scene=scene,
        glitch=script.glitches.get(number),
        cards=_cards(script),
    )


# --- labels ---------------------------------------------------------------------------------


def moon_limb_deg(at_utc: datetime, site: Site) -> float:
    """Give by ephem how far the Moon's upper limb stands above the horizon as it is seen.

    Moonrise and moonset are where this is zero (U.S. Naval Observatory: refraction of 34 arcmin).
    """
    place = ephem.Observer()
    place.lat, place.lon = math.radians(site.latitude_deg), math.radians(site.longitude_deg)
    place.elevation, place.pressure, place.date = site.elevation_m, 0, at_utc.replace(tzinfo=None)
    moon = ephem.Moon(place)
    return math.degrees(moon.alt + moon.radius) + 34 / 60


def _label(mount: Mount, look: Look, shot: Shot, scene: Scene) -> FrameLabel:
    script, number, rig = mount.script, mount.taken, mount.rig
    usual_px = clean_fwhm_px(rig.usual_core_px, rig.rig.optics)
    jump_x, jump_y = script.jumped(number)
    rows, columns = rig.rig.camera.shape
    glitch = script.glitches.get(number)
    return FrameLabel(
        file=shot.path.split("/", 1)[1],
        number=number,
        start_utc=shot.start_utc.isoformat(),
        exposure_s=shot.exposure_s,
        target=look.target.key,
        filter=look.band.key,
        pier_side=mount.pier_side,
        airmass=look.at.airmass,
        sun_alt_deg=look.at.sun_alt_deg,
        moon_limb_deg=moon_limb_deg(shot.start_utc, rig.rig.site),
        clean_px=look.clean_px,
        usual_ratio=look.zenith_px / usual_px,
        night_ratio=look.zenith_px / usual_px,  # the night's median is taken out at its end
        defocus=widening(scene.psf.blur_px, look.clean_px, rig),
        trail_fwhm=script.trail(number),
        double_fwhm=script.doubled.get(number, 0.0),
        transparency=script.cloud_left(number),
        dew_light=script.dew_left(number),
        sky_ratio=look.sky.ratio,
        sky_from=look.sky.comes_from,
        covered=script.tree_at(number)[1],
        off_field=math.hypot(jump_x * columns, jump_y * rows) / rows,
        wrong_field=script.is_lost(number),
        cap=script.is_capped(number),
        stretch=math.sqrt(1.0 - script.optics.axis_ratio**2),
        glitch=glitch.kind if glitch else "",
        streaks=len(scene.streaks),
        sensor_off_c=script.warm_c(number),
        refocused=look.refocused,
        after_pause=script.pause is not None and script.pause[0] == number,
        shift_x_px=look.place.shift_x_px,
        shift_y_px=look.place.shift_y_px,
        rotation_deg=look.place.rotation_deg,
        eccentricity=_eccentricity(rig, scene.psf) if scene.psf.trail_px > 0.0 else 0.0,
        plateau=script.plateau_left(number),
        turned_deg=script.turned_deg(number),
        binning=shot.binning,
        depth_rate=_depth_rate(rig, shot, scene, look),
    )


def _eccentricity(rig: BenchRig, psf: Psf) -> float:
    ratio = measured_shape(mean_psf(psf, rig.rig.optics), SHAPE_STEPS).axis_ratio
    return math.sqrt(1.0 - ratio**2)


def _depth_rate(rig: BenchRig, shot: Shot, scene: Scene, look: Look) -> float:
    """Give T^2 / (FWHM^2 v) as drawn: v the variance of sky, dark current and read-out a second,
    in electrons a square arc second; a trail's widening and a target's own glow are left out."""
    camera, arcsec_px = rig.rig.camera, rig.rig.arcsec_px
    sampled_px = shot.binning * clean_fwhm_px(look.core_px / shot.binning, rig.rig.optics)
    blurred_px = sampled_px * widening(scene.psf.blur_px, look.clean_px, rig)
    diffuse_e_s = scene.sky_e_s + camera.dark_e_s
    read_e2 = camera.read_noise_e**2 / shot.binning**2 / shot.exposure_s
    variance = (diffuse_e_s + read_e2) / arcsec_px**2
    light = scene.transparency * scene.extinction
    return float(light**2 / ((blurred_px * arcsec_px) ** 2 * variance))


# --- a night --------------------------------------------------------------------------------


def _frames(mount: Mount, seed: tuple[int, ...]) -> Iterator[tuple[Shot, FrameLabel]]:
    last_target = None
    for block in mount.script.blocks:
        if last_target not in (None, block.target):
            mount.pier_side = ""
            mount.now_utc += timedelta(seconds=SLEW_S)
        last_target = block.target
        for place_in_block in range(block.frames):
            look = _look(mount, block, place_in_block)
            scene = _scene(mount, look, _psf(mount, look))
            shot = _shot(mount, block, look, scene, seed)
            yield shot, _label(mount, look, shot, scene)
            pass_time(mount, look.exposure_s)


def _bias(script: Script, rig: BenchRig, seed: tuple[int, ...]) -> list[Shot]:
    """Plan three bias frames of the next morning for every binning."""
    if not script.zero_known:
        return []
    day = datetime.fromisoformat(script.evening + "T08:05:00+00:00") + timedelta(days=1)
    binnings = sorted({1, *(block.binning for block in script.blocks)})
    return [
        Shot(
            path=f"{script.folder}/frames/bias/{_bias_name(binning, n)}.fits",
            kind="bias",
            rig=rig.rig,
            seed=(*seed, 900 + 10 * (binning - 1) + n),
            start_utc=day + timedelta(minutes=binning - 1, seconds=5 * n),
            exposure_s=0.0,
            image_type="Bias Frame",
            sensor_c=rig.rig.camera.set_c,
            binning=binning,
        )
        for binning in binnings
        for n in range(3)
    ]


def _bias_name(binning: int, n: int) -> str:
    return f"bias_{n + 1:03d}" if binning == 1 else f"bias_bin{binning}_{n + 1:03d}"


def rig_of(script: Script) -> BenchRig:
    """Give the rig as it is that night."""
    rig = RIGS[script.rig].small() if script.small else RIGS[script.rig]
    rig = rig if script.zero_known else rig.with_unknown_zero()
    own, added = rig.rig.optics, script.optics
    optics = Optics(
        own.corner_rise, own.tilt + added.tilt, own.corner_flattening + added.corner_flattening
    )
    if optics == own:
        return rig
    return replace(rig, rig=replace(rig.rig, optics=optics))


def plan_night(script: Script, seed: tuple[int, ...]) -> Planned:
    """Plan every frame of a night without drawing any."""
    rig = rig_of(script)
    made = list(_frames(begin(script, rig, seed), seed))
    shots, labels = [shot for shot, _ in made], [label for _, label in made]
    median = float(np.median([label.usual_ratio for label in labels]))
    labels = [replace(label, night_ratio=label.usual_ratio / median) for label in labels]
    return Planned(script, shots, labels, _bias(script, rig, seed))
