"""A script becomes a list of planned frames: clock, air, focus, seeing, sky, faults."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from .psf import Psf
from .scenario import FILTERS, TARGETS, Block, Filter, Scale, Script, Target
from .shot import Ends, Rig, Scene, Shot
from .sky import Circumstances, Direction, brightness_mag, circumstances
from .stars import Placement, zero_point_e_s

OVERHEAD_S = 17.0  # read-out, dither, settling
FLIP_S = 150.0
SLEW_S = 75.0
FOCUS_EXPOSURE_S = 4.0
FOCUS_FRAMES = 7
FOCUS_STEP_UM = 110.0
NEUTRAL_STEPS = 11240  # best focus at 10 C


@dataclass(slots=True)
class Session:
    """The state of the rig as a night goes on."""

    script: Script
    scale: Scale
    rig: Rig
    seed: int
    night: int
    rng: np.random.Generator
    now_utc: datetime
    focus_set_um: float = 0.0  # where the focuser stands, against best focus at 10 C
    stuck: bool = False  # the focuser no longer follows the air
    pier_side: str | None = None
    log_seeing: float = 0.0
    taken: int = 0  # light frames so far
    counters: dict[str, int] = field(default_factory=dict)

    def air_c(self) -> float:
        """Give the air temperature: it falls fast at dusk and slowly towards dawn."""
        hours = (self.now_utc - _start(self.script)).total_seconds() / 3600.0
        return self.script.air_start_c - self.script.air_drop_c * (1.0 - math.exp(-hours / 3.0))

    def best_focus_um(self, band: Filter) -> float:
        """Give where the focuser should stand."""
        shift = self.rig.telescope.focus_shift_um_c * (self.air_c() - 10.0)
        return shift + band.focus_offset_um

    def focus_steps(self, focus_um: float) -> int:
        """Turn a focuser place into motor steps."""
        return NEUTRAL_STEPS + round(focus_um / self.rig.telescope.focuser_step_um)

    def next_number(self, name: str) -> int:
        """Count the files of one kind."""
        self.counters[name] = self.counters.get(name, 0) + 1
        return self.counters[name]

    def next_seed(self) -> tuple[int, ...]:
        """Give every frame of every night random numbers of its own."""
        return self.seed, self.night, self.next_number("frame")


def _start(script: Script) -> datetime:
    return datetime.fromisoformat(script.start_utc).replace(tzinfo=UTC)


def _blur_px(rig: Rig, error_um: float) -> float:
    """Give the diameter of the out-of-focus disc: focus error over focal ratio."""
    focal_ratio = rig.telescope.focal_mm / rig.telescope.aperture_mm
    return abs(error_um) / focal_ratio / rig.camera.pixel_um


def _transparency(script: Script, number: int) -> float:
    """Give what the clouds of a script leave of the starlight."""
    left = 1.0
    for cloud in script.clouds:
        left *= 1.0 - cloud.depth * math.exp(-0.5 * ((number - cloud.middle) / cloud.width) ** 2)
    return left


def _seeing_arcsec(session: Session) -> float:
    """Let zenith seeing wander: steps of 4 % that remember the last hour."""
    session.log_seeing = 0.93 * session.log_seeing + session.rng.normal(0.0, 0.03)
    spell = session.script.soft
    factor = 1.6 if spell and spell[0] <= session.taken <= spell[1] else 1.0
    return session.script.seeing_arcsec * math.exp(session.log_seeing) * factor


def _psf(session: Session, at: Circumstances, error_um: float) -> Psf:
    """Compose the star image of the next light frame."""
    script, number, rng = session.script, session.taken, session.rng
    seeing = _seeing_arcsec(session) * at.airmass**0.6
    core = math.hypot(seeing, session.rig.telescope.optics_fwhm_arcsec) / session.rig.arcsec_px
    knocked = script.knocked == number
    trail = (script.trailed or {}).get(number, 0.0)
    return Psf(
        fwhm_px=core,
        axis_ratio=1.0 - abs(rng.normal(0.02, 0.012)),  # guiding is never quite even
        angle_deg=(8.0 + rng.normal(0.0, 12.0)) % 180.0,
        blur_px=_blur_px(session.rig, error_um),
        trail_px=trail,
        trail_deg=(14.0 + rng.normal(0.0, 4.0)) % 180.0,
        double_px=9.0 if knocked else 0.0,
        double_deg=118.0,
    )


def _sky_e_s(rig: Rig, at: Circumstances, band: Filter, transparency: float) -> tuple[float, float]:
    """Give electrons a second and pixel from the sky, and how bright against a dark sky.

    Cloud over a site with a town on the horizon throws the town's light back.
    """
    zero = zero_point_e_s(band, rig.telescope.area_cm2, rig.telescope.throughput)
    lit, dark = brightness_mag(at, band)
    town = 1.0 + 1.1 * (1.0 - transparency)
    rate = zero * 10 ** (-0.4 * lit) * rig.arcsec_px**2 * town
    return rate, 10 ** (0.4 * (dark - lit))


def _streaks(session: Session) -> tuple[Ends, ...]:
    """Draw the ends of a satellite trail from one edge to another, if one passes now."""
    if session.taken not in session.script.satellites:
        return ()
    rows, columns = session.rig.camera.shape
    rng = session.rng
    left, right = rng.uniform(0.05, 0.95, 2) * (rows - 1)
    return ((0.0, float(left), float(columns - 1), float(right)),)


def _faults(session: Session, scene: Scene, brighter: float) -> tuple[str, ...]:
    """Name what is wrong with the next light frame, by the rules told at Truth."""
    spell = session.script.soft
    rules = {
        "trailed": scene.psf.trail_px > 3.0,
        "doubled": scene.psf.double_px > 0.0,
        "defocused": scene.psf.blur_px > 1.2 * scene.psf.fwhm_px,
        "soft": spell is not None and spell[0] <= session.taken <= spell[1],
        "cloud": scene.transparency < 0.85,
        "bright-sky": brighter > 1.5,
        "streak": bool(scene.streaks),
    }
    return tuple(name for name, present in rules.items() if present)


def _placement(session: Session, target: Target) -> Placement:
    """Dither within 12 px; the view turns half round with the telescope on the other side."""
    dither = session.rng.uniform(-12.0, 12.0, 2)
    flipped = session.pier_side == "EAST"
    after_flip = 6.0 if flipped else 0.0  # centring is good to some pixels only
    return Placement(
        float(dither[0]) + after_flip,
        float(dither[1]) - after_flip,
        target.angle_deg + (180.0 if flipped else 0.0),
    )


def _pointing(rig: Rig, target: Target, place: Placement) -> Direction:
    """Give where the frame's centre looks: the target moved away by the dither."""
    turn = math.radians(place.rotation_deg)
    east = -(place.shift_x_px * math.cos(turn) + place.shift_y_px * math.sin(turn))
    north = -(place.shift_y_px * math.cos(turn) - place.shift_x_px * math.sin(turn))
    degrees = rig.arcsec_px / 3600.0
    dec = target.dec_deg + north * degrees
    return Direction(target.ra_deg + east * degrees / math.cos(math.radians(dec)), dec)


def _flip_if_due(session: Session, target: Target) -> None:
    """Turn the mount over once the target has passed the meridian."""
    place = Direction(target.ra_deg, target.dec_deg)
    angle_h = circumstances(place, session.now_utc, session.rig.site).hour_angle_h
    side = "EAST" if angle_h > 0.05 else "WEST"
    if session.pier_side == "WEST" and side == "EAST":
        session.now_utc += timedelta(seconds=FLIP_S)
    session.pier_side = side


def _focus_um(session: Session, band: Filter) -> tuple[float, float]:
    """Give where the focuser stands for the next light frame, and how far off that is."""
    script = session.script
    session.stuck = session.stuck or session.taken == script.focus_stuck_from
    if not session.stuck:
        session.focus_set_um = session.best_focus_um(FILTERS["L"])
    slip_um = (script.focus_error_um or {}).get(session.taken, 0.0)
    stands_um = session.focus_set_um + band.focus_offset_um + slip_um
    return stands_um, stands_um - session.best_focus_um(band)


def _scene(
    session: Session, target: Target, band: Filter, at: Circumstances, error_um: float
) -> tuple[Scene, float]:
    """Compose what the next light frame sees, and how bright its sky is against a dark one."""
    left = _transparency(session.script, session.taken)
    sky_e_s, brighter = _sky_e_s(session.rig, at, band, left)
    scene = Scene(
        target=target,
        place=_placement(session, target),
        psf=_psf(session, at, error_um),
        stars=session.scale.stars,
        sky_e_s=sky_e_s,
        gradient=_gradient(session, at, left),
        transparency=left,
        extinction=10 ** (-0.4 * band.extinction_mag * at.airmass),
        streaks=_streaks(session),
    )
    return scene, brighter


def _light_path(session: Session, block: Block, band: Filter) -> str:
    """Name the file as the night's script has it: rigs and people have many ways."""
    script = session.script
    target, written = block.written.replace(" ", ""), script.filter_names[band.key]
    length = f"{script.exposure_s:.0f}s"
    name = script.naming.format(
        target=target,
        filter=written,
        length=length,
        number=session.next_number(f"{target}_{written}_{length}"),
        start=session.now_utc,
    )
    return f"{script.evening}/lights/{name}{session.scale.suffix}"


def _light_shot(session: Session, block: Block, band: Filter) -> Shot:
    """Plan the next light frame and let its time pass."""
    script, rig, target = session.script, session.rig, TARGETS[block.target]
    _flip_if_due(session, target)
    middle = session.now_utc + timedelta(seconds=script.exposure_s / 2)
    at = circumstances(Direction(target.ra_deg, target.dec_deg), middle, rig.site)
    stands_um, error_um = _focus_um(session, band)
    scene, brighter = _scene(session, target, band, at, error_um)
    shot = Shot(
        path=_light_path(session, block, band),
        kind="light",
        rig=rig,
        seed=session.next_seed(),
        start_utc=_to_millisecond(session.now_utc),
        exposure_s=script.exposure_s,
        field_seed=session.seed,
        sensor_c=rig.camera.set_c + session.rng.normal(0.0, 0.08),
        air_c=session.air_c(),
        focus_steps=session.focus_steps(stands_um),
        band=band,
        filter_written=script.filter_names[band.key],
        target_written=block.written,
        pointing=_pointing(rig, target, scene.place),
        pier_side=session.pier_side,
        at=at,
        scene=scene,
        faults=_faults(session, scene, brighter),
    )
    session.taken += 1
    pause_s = OVERHEAD_S + session.rng.uniform(-3.0, 6.0)
    session.now_utc += timedelta(seconds=script.exposure_s + pause_s)
    return shot


def _to_millisecond(moment: datetime) -> datetime:
    return moment.replace(microsecond=moment.microsecond // 1000 * 1000)


def _gradient(session: Session, at: Circumstances, transparency: float) -> tuple[float, float]:
    """Slope the sky: more of it low down, under a bright Moon, and through patchy cloud."""
    low = 0.03 * at.airmass
    moon = 0.04 if at.moon_alt_deg > 0 else 0.0
    patchy = 0.25 * (1.0 - transparency)
    x, y = session.rng.normal(0.0, 0.4, 2)
    return float((low + moon) * (1 + 0.2 * x) + patchy * x), float(low * (1 + 0.2 * y) + patchy * y)


def _rehearse(session: Session) -> Session:
    """Copy a session so that looking ahead leaves no trace in it."""
    rng = np.random.default_rng(session.next_seed())
    return replace(session, rng=rng, counters=dict(session.counters))


def _focus_run(session: Session, block: Block, band: Filter) -> Iterator[Shot]:
    """Step through focus in short binned frames, then stand at the best place found."""
    light = _light_shot(_rehearse(session), block, band)
    assert light.scene is not None  # a light frame always looks at the sky
    best_um = session.best_focus_um(band)
    for step in range(FOCUS_FRAMES):
        error_um = (step - FOCUS_FRAMES // 2) * FOCUS_STEP_UM
        blur_px = _blur_px(session.rig, error_um)
        psf = replace(light.scene.psf, blur_px=blur_px, trail_px=0.0, double_px=0.0)
        number = session.next_number("focus")
        yield replace(
            light,
            path=f"{session.script.evening}/focus/focus_{number:03d}{session.scale.suffix}",
            kind="focus",
            seed=session.next_seed(),
            start_utc=_to_millisecond(session.now_utc),
            exposure_s=FOCUS_EXPOSURE_S,
            binning=2,
            focus_steps=session.focus_steps(best_um + error_um),
            scene=replace(light.scene, psf=psf, streaks=()),
            faults=(),
        )
        session.now_utc += timedelta(seconds=FOCUS_EXPOSURE_S + 5.0)
    session.focus_set_um = best_um - band.focus_offset_um
    session.stuck = False
    session.now_utc += timedelta(seconds=8.0)


def light_shots(script: Script, scale: Scale, rig: Rig, seed: int, night: int) -> list[Shot]:
    """Plan the light and focus frames of one night in the order they are taken."""
    rng = np.random.default_rng([seed, night, 0, 5])
    session = Session(script, scale, rig, seed, night, rng, _start(script))
    session.focus_set_um = session.best_focus_um(FILTERS["L"])
    shots: list[Shot] = []
    last_target = None
    for block in script.blocks:
        if last_target not in (None, block.target):
            session.pier_side = None
            session.now_utc += timedelta(seconds=SLEW_S)
        last_target = block.target
        if block.refocus:
            shots.extend(_focus_run(session, block, FILTERS[block.filters[0]]))
        for number in range(block.frames):
            band = FILTERS[block.filters[number % len(block.filters)]]
            shots.append(_light_shot(session, block, band))
    return shots
