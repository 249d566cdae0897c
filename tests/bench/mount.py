"""The state of a rig as a labelled night goes on: clock, air, focus, seeing, pointing."""

import math
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import ephem
import numpy as np

from samples.maker.scenario import Filter, Site, Target
from samples.maker.sky import Direction, hour_angle_deg
from samples.maker.stars import Placement

from .rigs import PLACES, BenchRig, blur_for, clean_fwhm_px
from .script import Drift, Script

OVERHEAD_S, FLIP_S, SLEW_S, REFOCUS_S = 17.0, 150.0, 75.0, 110.0
REFOCUS_EVERY_S = 3600.0  # common practice, no source
FOLLOW_C = 0.3  # the focuser follows the air in steps of so much
NEUTRAL_STEPS = 11240
STEP_UM = 3.2
MEMORY, JITTER = 0.92, 0.015  # seeing remembers about ten frames; the rest is frame to frame
DITHER_PX = 12.0


@dataclass(slots=True)
class Mount:
    """Where the night stands."""

    script: Script
    rig: BenchRig
    rng: np.random.Generator
    now_utc: datetime
    began_utc: datetime
    wander: float = 0.0
    pier_side: str = ""
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


def begin(script: Script, rig: BenchRig, seed: tuple[int, ...]) -> Mount:
    """Set everything up for the first frame."""
    start = _start_utc(script, rig)
    mount = Mount(script, rig, np.random.default_rng([*seed, 5]), start, start)
    mount.wander = float(mount.rng.normal(0.0, script.wander / 2))
    _set_focus(mount)
    return mount


def _start_utc(script: Script, rig: BenchRig) -> datetime:
    evening = datetime.fromisoformat(script.evening).replace(tzinfo=UTC)
    if script.from_dusk_min is not None:
        dusk, _ = dark_of(script.evening, rig.rig.site)
        return dusk + timedelta(minutes=script.from_dusk_min)
    if script.start_utc is not None:
        hour, minute = map(int, script.start_utc.split(":"))
        after_midnight = timedelta(days=1 if hour < 12 else 0)
        return evening + after_midnight + timedelta(hours=hour, minutes=minute)
    target = PLACES[script.blocks[0].target]
    noon = evening + timedelta(hours=11)
    angle_h = hour_angle_deg(direction(target), noon, rig.rig.site) / 15.0
    assert script.start_ha_h is not None
    return noon + timedelta(hours=((script.start_ha_h - angle_h) % 24.0) * 0.99727)


def dark_of(evening: str, site: Site) -> tuple[datetime, datetime]:
    """Give by ephem when the Sun's centre is 18 degrees below the horizon, dusk and dawn."""
    place = ephem.Observer()
    place.lat, place.lon = math.radians(site.latitude_deg), math.radians(site.longitude_deg)
    place.pressure, place.horizon, place.date = 0, "-18", f"{evening} 12:00"
    dusk = place.next_setting(ephem.Sun(), use_center=True)
    dawn = place.next_rising(ephem.Sun(), use_center=True, start=dusk)
    return dusk.datetime().replace(tzinfo=UTC), dawn.datetime().replace(tzinfo=UTC)


def direction(target: Target) -> Direction:
    """Give a target's place on the sky."""
    return Direction(target.ra_deg, target.dec_deg)


def prepare(mount: Mount, target: Target) -> bool:
    """Let time pass and turn the mount over as due before a frame; tell of a focus run."""
    pause = mount.script.pause
    if pause is not None and pause[0] == mount.taken:
        mount.now_utc += timedelta(minutes=pause[1])
    _flip_if_due(mount, target)
    due = _refocus_due(mount)
    if due:
        mount.now_utc += timedelta(seconds=REFOCUS_S)
        _set_focus(mount)
    _follow_air(mount)
    return due


def pass_time(mount: Mount, exposure_s: float) -> None:
    """Expose, read out, dither and settle."""
    mount.taken += 1
    mount.now_utc += timedelta(seconds=exposure_s + OVERHEAD_S + mount.rng.uniform(-3.0, 6.0))


def next_seeing(mount: Mount) -> float:
    """Let the seeing wander, within bounds, and shake a little from frame to frame."""
    script, rng = mount.script, mount.rng
    step = script.wander * math.sqrt(1.0 - MEMORY**2)
    wander = MEMORY * mount.wander + rng.normal(0.0, step)
    mount.wander = float(np.clip(wander, -script.wander_most, script.wander_most))
    return script.spell(mount.taken) * math.exp(mount.wander + rng.normal(0.0, JITTER))


# --- focus ----------------------------------------------------------------------------------


def _refocus_due(mount: Mount) -> bool:
    """Run the focuser about every hour, but not while it is stuck; a drift ends with a run."""
    number, script = mount.taken, mount.script
    if any(drift.refocus == number for drift in script.drifts):
        return True
    if mount.focus_at_utc is None or script.drift_at(number):
        return False
    near = any(0 <= drift.stuck - number <= 4 for drift in script.drifts)
    since_s = (mount.now_utc - mount.focus_at_utc).total_seconds()
    return since_s > REFOCUS_EVERY_S and not near


def _set_focus(mount: Mount) -> None:
    mount.focus_at_utc = mount.now_utc
    mount.focus_c = mount.air_c(mount.now_utc)
    mount.slip_um = float(mount.rng.normal(0.0, 4.0))  # a focus run is not perfect


def _follow_air(mount: Mount) -> None:
    air_c = mount.air_c(mount.now_utc)
    if mount.script.drift_at(mount.taken) is None and abs(air_c - mount.focus_c) > FOLLOW_C:
        mount.focus_c = air_c


def focus_steps(mount: Mount, band: Filter) -> int:
    """Give where the focuser stands, in motor steps."""
    where_um = mount.rig.focus_um_c * (mount.focus_c - 10.0) + mount.slip_um
    return NEUTRAL_STEPS + round((where_um + band.focus_offset_um) / STEP_UM)


def _px_of_um(rig: BenchRig, error_um: float) -> float:
    telescope = rig.rig.telescope
    ratio = telescope.focal_mm / telescope.aperture_mm
    return abs(error_um) / ratio / rig.rig.camera.pixel_um


def blur_px(mount: Mount, clean_px: float) -> float:
    """Give the out-of-focus disc: a single error, a drift with the air, or what is always left."""
    script, number = mount.script, mount.taken
    if number in script.defocus:
        return blur_for(script.defocus[number], clean_px, mount.rig)
    if script.all_defocus > 1.0:
        return blur_for(script.all_defocus, clean_px, mount.rig)
    drift = script.drift_at(number)
    if drift is None:
        behind_c = mount.focus_c - mount.air_c(mount.now_utc)
        return _px_of_um(mount.rig, mount.rig.focus_um_c * behind_c + mount.slip_um)
    usual_clean = clean_fwhm_px(mount.rig.usual_core_px, mount.rig.rig.optics)
    grown_px = blur_for(drift.peak, usual_clean, mount.rig) * _cooled(mount, drift)
    return math.hypot(_px_of_um(mount.rig, mount.slip_um), grown_px)


def _cooled(mount: Mount, drift: Drift) -> float:
    """Give how far the air has cooled since the focuser stuck, 1 at the drift's last frame."""
    last = mount.script.drift_end(drift) - 1
    step_s = mount.script.blocks[0].exposures_s[0] + OVERHEAD_S
    now_c = mount.air_c(mount.now_utc)
    end_c = mount.air_c(mount.now_utc + timedelta(seconds=step_s * (last - mount.taken)))
    return min(1.0, max(0.0, (mount.focus_c - now_c) / max(mount.focus_c - end_c, 1e-6)))


# --- pointing -------------------------------------------------------------------------------


def _flip_if_due(mount: Mount, target: Target) -> None:
    angle_h = hour_angle_deg(direction(target), mount.now_utc, mount.rig.rig.site) / 15.0
    side = "EAST" if angle_h > 0.05 else "WEST"
    if mount.pier_side == "WEST" and side == "EAST":
        mount.now_utc += timedelta(seconds=FLIP_S)
    mount.pier_side = side


def _offset_px(mount: Mount) -> tuple[float, float]:
    """Dither, or without dithering creep a little."""
    if mount.script.dithered and mount.script.dither_every == 1:
        x, y = mount.rng.uniform(-DITHER_PX, DITHER_PX, 2)
        return float(x), float(y)
    if mount.script.dithered and mount.taken % mount.script.dither_every == 0:
        x, y = mount.rng.uniform(-DITHER_PX, DITHER_PX, 2)
        mount.drift_px = float(x), float(y)
    mount.drift_px = (mount.drift_px[0] + 0.03, mount.drift_px[1] - 0.015)
    x, y = mount.rng.normal(0.0, 0.15, 2)
    return mount.drift_px[0] + float(x), mount.drift_px[1] + float(y)


def placement(mount: Mount, target: Target) -> tuple[Placement, Placement]:
    """Give where the field lies, and where the mount believes it lies."""
    x, y = _offset_px(mount)
    flipped = mount.pier_side == "EAST"
    off = 6.0 if flipped else 0.0  # centring after a flip is good to some pixels only
    turned = mount.script.turned_deg(mount.taken)
    meant = Placement(x + off, y - off, target.angle_deg + turned + (180.0 if flipped else 0.0))
    jump_x, jump_y = mount.script.jumped(mount.taken)
    lies = replace(
        meant,
        shift_x_px=meant.shift_x_px + jump_x * mount.rig.rig.camera.columns,
        shift_y_px=meant.shift_y_px + jump_y * mount.rig.rig.camera.rows,
    )
    told = mount.script.jump is not None and mount.script.jump.told
    return lies, lies if told else meant


def pointing(rig: BenchRig, target: Target, place: Placement) -> Direction:
    """Give where the frame's centre looks: the target moved away by the placement."""
    turn = math.radians(place.rotation_deg)
    east = -(place.shift_x_px * math.cos(turn) + place.shift_y_px * math.sin(turn))
    north = -(place.shift_y_px * math.cos(turn) - place.shift_x_px * math.sin(turn))
    degrees = rig.rig.arcsec_px / 3600.0
    dec = target.dec_deg + north * degrees
    return Direction(target.ra_deg + east * degrees / math.cos(math.radians(dec)), dec)
