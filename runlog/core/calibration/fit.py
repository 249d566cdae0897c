"""Which darks, flats, flat-darks and bias frames fit the lights, and what is missing.

Common practice, no source, unless a rule names one. Dark current doubles every 5 to 7 C, so it
changes by about a quarter in 2 C (2^(2/6.2) = 1.25).
"""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import accumulate, chain
from math import inf

from runlog.core.calibration.missing import Lack
from runlog.core.calibration.sensor import Sensor
from runlog.core.frame import Kind

SAME_LENGTH = 0.02  # share by which two exposure times may differ and be called the same


@dataclass(frozen=True, slots=True)
class CalibrationRules:
    """What a person demands of calibration frames.

    Averaging n frames adds 1/n of their variance to the picture: 10 of them raise its noise by
    5 %, 20 by 2.5 %.
    """

    enough_darks: int = 10
    enough_flats: int = 10
    enough_flat_darks: int = 10
    enough_bias: int = 20
    dark_temperature_c: float = 2.0  # dark current changes by about a quarter in 2 C
    dark_age_days: float = 365.0  # hot pixels grow; older darks raise a warning
    flat_nights: float = 14.0  # dust moves: flats may lie this many nights away
    rotator_deg: float = 1.0  # dust shadows move with the mechanical angle
    no_glow: bool = False  # the sensor has no amplifier glow, so darks may be scaled


@dataclass(frozen=True, slots=True)
class Shots:
    """Frames alike in all that matters, of one night."""

    kind: Kind
    rig: str
    rig_id: int
    sensor: Sensor
    exposure_s: float | None
    sensor_c: float | None
    filter: str
    rotator_deg: float | None
    night: str  # ISO date, "" when undated
    frames: int
    exposures: int | None = None  # what a master was made of, where it says; None: not a master
    master: bool = False

    @property
    def worth(self) -> int | None:
        """How many exposures stand behind it; None for a master that does not say."""
        return (self.exposures if self.master else self.frames) or None


@dataclass(frozen=True, slots=True)
class Supply:
    """What was found of one kind for one group of lights."""

    frames: int = 0
    masters: int = 0
    enough: bool = False
    wanted: int | None = None  # how many are enough; None where none are needed
    lacks: tuple[Lack, ...] = ()  # empty when there is enough
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LightGroup:
    """Kept lights that need the same calibration, of some nights."""

    rig: str
    rig_id: int
    sensor: Sensor
    exposure_s: float | None
    sensor_c: float | None
    filter: str
    rotator_deg: float | None
    nights: tuple[str, ...]
    frames: int


@dataclass(frozen=True, slots=True)
class Calibration:
    """A group of lights with everything that calibrates it."""

    lights: LightGroup
    darks: Supply
    flats: Supply
    flat_darks: Supply
    bias: Supply

    @property
    def parts(self) -> tuple[Supply, ...]:
        """What was found of each kind."""
        return (self.darks, self.flats, self.flat_darks, self.bias)

    @property
    def lacks(self) -> tuple[Lack, ...]:
        """What has to be taken yet."""
        return tuple(lack for part in self.parts for lack in part.lacks)

    @property
    def missing(self) -> tuple[str, ...]:
        """What has to be taken yet, in words."""
        return tuple(map(str, self.lacks))

    @property
    def notes(self) -> tuple[str, ...]:
        """What is worth knowing though it is not missing."""
        return tuple(note for part in self.parts for note in part.notes)


def lights_of(shots: Shots) -> LightGroup:
    """Take shots that are lights for a group of one night."""
    return LightGroup(
        shots.rig,
        shots.rig_id,
        shots.sensor,
        shots.exposure_s,
        shots.sensor_c,
        shots.filter,
        shots.rotator_deg,
        (shots.night,),
        shots.frames,
    )


def group_lights(lights: Iterable[LightGroup], rules: CalibrationRules) -> list[LightGroup]:
    """Gather lights of many nights that share settings, length, temperature, filter and angle."""
    groups: dict[tuple[object, ...], list[LightGroup]] = {}
    for alike in sorted(lights, key=_order):
        key = (alike.rig_id, alike.sensor, alike.exposure_s, alike.filter)
        home = next(
            (k for k in groups if k[:4] == key and _near_enough(groups[k][0], alike, rules)), None
        )
        groups.setdefault(home or (*key, len(groups)), []).append(alike)
    return [_together(members) for members in groups.values()]


def _order(lights: LightGroup) -> tuple[object, ...]:
    cold, angle = _number(lights.sensor_c), _number(lights.rotator_deg)
    return (lights.rig, lights.filter, lights.exposure_s or 0.0, cold, angle, lights.nights)


def _number(value: float | None) -> float:
    return -1e9 if value is None else value


def _near_enough(a: LightGroup, b: LightGroup, rules: CalibrationRules) -> bool:
    cold = _within(a.sensor_c, b.sensor_c, rules.dark_temperature_c / 2)
    return cold and _same_angle(a.rotator_deg, b.rotator_deg, rules)


def _within(a: float | None, b: float | None, most: float) -> bool:
    """Tell whether two numbers are as good as the same; unknown goes with unknown only."""
    if a is None or b is None:
        return a is b
    return abs(a - b) <= most


def _same_angle(a: float | None, b: float | None, rules: CalibrationRules) -> bool:
    if a is None or b is None:
        return a is b
    apart = abs(a - b) % 360.0
    return min(apart, 360.0 - apart) <= rules.rotator_deg


def _together(members: Sequence[LightGroup]) -> LightGroup:
    nights = {night for lights in members for night in lights.nights}
    frames = sum(lights.frames for lights in members)
    return replace(members[0], nights=tuple(sorted(nights)), frames=frames)


def calibrate(group: LightGroup, stock: Sequence[Shots], rules: CalibrationRules) -> Calibration:
    """Find what calibrates a group of lights among all calibration frames there are."""
    same = _of_sensors(stock, lambda sensor: sensor.fits(group.sensor))
    bias = [s for s in same if s.kind is Kind.BIAS]
    darks = _darks(group, same, bias, rules)
    flats, used = _flats(group, stock, rules)
    flat_darks = _flat_darks(used, stock, rules)
    found = {"darks": darks, "flat-darks": flat_darks}
    lacking = [name for name, kind in found.items() if kind.lacks]
    return Calibration(group, darks, flats, flat_darks, _bias(bias, rules, lacking))


def _of_sensors(stock: Sequence[Shots], fits: Callable[[Sensor], bool]) -> list[Shots]:
    """Choose by settings; each is asked about once, however many share it."""
    sensors = {id(s.sensor): s.sensor for s in stock}
    fitting = {key for key, sensor in sensors.items() if fits(sensor)}
    return [s for s in stock if id(s.sensor) in fitting]


# --- darks ----------------------------------------------------------------------------------


def _darks(
    group: LightGroup, same: Sequence[Shots], bias: Sequence[Shots], rules: CalibrationRules
) -> Supply:
    darks = [s for s in same if s.kind is Kind.DARK and _warm_enough(s, group, rules)]
    fitting = [s for s in darks if _same_length(s.exposure_s, group.exposure_s)]
    notes = _temperature_notes(fitting, group) + _age_notes(fitting, group, rules)
    notes += _place_notes("darks", fitting, group)
    tail = f"{_at(group.sensor_c)}{group.sensor.in_words()}"
    if group.exposure_s is None:
        unknown = "darks: lights without a length; say it: runlog correct exposure SECONDS"
        return Supply(wanted=rules.enough_darks, notes=(unknown,))
    lack = Lack("darks of ", _seconds(group.exposure_s), tail)
    found = _count(fitting, rules.enough_darks, lack, notes)
    if found.enough or not rules.no_glow:
        return found
    lengths = {s.exposure_s for s in darks if s.exposure_s}
    longer = sorted(length for length in lengths if length > group.exposure_s)
    if longer and bias:
        offer = f"darks of {_seconds(longer[0])} can be scaled, bias taken off first"
        return replace(found, notes=(*found.notes, offer))
    return found


def _warm_enough(s: Shots, group: LightGroup, rules: CalibrationRules) -> bool:
    # A camera without a thermometer tells no temperature on either.
    return _within(s.sensor_c, group.sensor_c, rules.dark_temperature_c)


def _same_length(a: float | None, b: float | None) -> bool:
    return a is not None and b is not None and abs(a - b) <= SAME_LENGTH * max(a, b)


def _temperature_notes(fitting: Sequence[Shots], group: LightGroup) -> tuple[str, ...]:
    if fitting and group.sensor_c is None:
        return ("darks: the sensor's temperature is not known",)
    return ()


def _age_notes(
    fitting: Sequence[Shots], group: LightGroup, rules: CalibrationRules
) -> tuple[str, ...]:
    """Warn where the darks that are young enough are too few without the old ones."""
    by_date = _ByDate(fitting)
    ages = [a for n in group.nights for a in _old(by_date, n, rules)]
    if not ages:
        return ()
    return (f"darks: {min(ages)} days from the lights; hot pixels grow, take new ones",)


def _old(fitting: "_ByDate", night: str, rules: CalibrationRules) -> list[int]:
    """Give the ages of old darks that a night needs, in days."""
    young = fitting.about(night, rules.dark_age_days)
    if fitting.worth(young) >= rules.enough_darks:
        return []
    old = fitting.others(young)
    day = date.fromisoformat(night) if old else date.min
    return [abs((date.fromisoformat(s.night) - day).days) for s in old]


class _ByDate:
    """Calibration frames by their nights, to find those about one; undated ones are about all."""

    def __init__(self, shots: Sequence[Shots]) -> None:
        self._undated = [s for s in shots if not s.night]
        self._dated = sorted((s for s in shots if s.night), key=_night)
        self._days = [date.fromisoformat(s.night).toordinal() for s in self._dated]
        # Before each of them: the exposures behind those that say, and the masters that do not.
        self._behind = [0, *accumulate(s.worth or 0 for s in self._dated)]
        self._silent = [0, *accumulate(s.worth is None for s in self._dated)]
        silent = any(s.worth is None for s in self._undated)
        self._of_undated = inf if silent else sum(s.worth or 0 for s in self._undated)

    def about(self, night: str, days: float) -> range:
        """Tell which of the dated ones lie within so many days of a night."""
        if not night:
            return range(len(self._dated))
        day, reach = date.fromisoformat(night).toordinal(), int(min(days, date.max.toordinal()))
        return range(bisect_left(self._days, day - reach), bisect_right(self._days, day + reach))

    def worth(self, these: range) -> float:
        """Count the exposures behind these and the undated; no end where a master is silent."""
        if self._silent[these.stop] > self._silent[these.start]:
            return inf
        return self._of_undated + self._behind[these.stop] - self._behind[these.start]

    def shots(self, those: Iterable[range]) -> list[Shots]:
        """Give all of those, and the undated."""
        reached = sorted(set(chain.from_iterable(those)))
        return [*self._undated, *(self._dated[at] for at in reached)]

    def others(self, these: range) -> list[Shots]:
        """Give the dated ones but these."""
        return [*self._dated[: these.start], *self._dated[these.stop :]]


def _night(shots: Shots) -> str:
    return shots.night


def _place_notes(what: str, fitting: Sequence[Shots], group: LightGroup) -> tuple[str, ...]:
    if not any(sensor.unplaced for sensor in (group.sensor, *(s.sensor for s in fitting))):
        return ()
    told = f"{what}: not all headers say which part of the sensor was read out"
    return (told,) if fitting else ()


# --- flats ----------------------------------------------------------------------------------


def _flats(
    group: LightGroup, stock: Sequence[Shots], rules: CalibrationRules
) -> tuple[Supply, list[Shots]]:
    """Find flats for every night of the group; also which were used, for their flat-darks.

    Same optics, filter, binning and region; the gain of a flat does not matter.
    """
    of_train = [
        s
        for s in stock
        if s.kind is Kind.FLAT and s.rig_id == group.rig_id and s.filter == group.filter
    ]
    alike = _of_sensors(of_train, lambda sensor: sensor.fits_region(group.sensor))
    turned = [s for s in alike if _angle_fits(s, group, rules)]
    lack = Lack("flats through ", group.filter, _angle(group.rotator_deg))
    by_date = _ByDate(turned)
    near = {night: by_date.about(night, rules.flat_nights) for night in group.nights}
    bare = [n for n, these in near.items() if by_date.worth(these) < rules.enough_flats]
    reached = {id(s) for s in by_date.shots(near.values())}
    used = [s for s in turned if id(s) in reached]
    notes = _angle_notes(used, group) + _place_notes("flats", used, group)
    found = _count(used, rules.enough_flats, lack, notes)
    if not bare:
        return found, used
    nights = ", ".join(n or "unknown date" for n in bare)
    late = replace(lack, tail=f"{lack.tail} for the nights of {nights}")
    return replace(found, enough=False, lacks=found.lacks or (late,)), used


def _angle_fits(s: Shots, group: LightGroup, rules: CalibrationRules) -> bool:
    if s.rotator_deg is None or group.rotator_deg is None:
        return True  # not known to be turned: said in a note
    return _same_angle(s.rotator_deg, group.rotator_deg, rules)


def _angle_notes(used: Sequence[Shots], group: LightGroup) -> tuple[str, ...]:
    unsure = any((s.rotator_deg is None) != (group.rotator_deg is None) for s in used)
    return ("flats: the rotator's angle is not in all headers",) if unsure else ()


def _flat_darks(flats: Sequence[Shots], stock: Sequence[Shots], rules: CalibrationRules) -> Supply:
    """Find darks as long as the flats that were taken; a master flat has been through that."""
    raw = [s for s in flats if not s.master]
    if not raw:
        return Supply(enough=True)
    wanted = sorted({(s.sensor, s.exposure_s) for s in raw}, key=lambda w: (w[1] or 0.0, str(w[0])))
    through = raw[0].filter  # those of one group of lights are through one
    kinds = (Kind.FLAT_DARK, Kind.DARK)
    fitting: list[Shots] = []
    lacks: list[Lack] = []
    for sensor, length in wanted:
        alike = _of_sensors([s for s in stock if s.kind in kinds], sensor.fits)
        fit = [s for s in alike if _same_length(s.exposure_s, length)]
        fitting += [s for s in fit if s not in fitting]
        lack = Lack("flat-darks of ", f"{_seconds(length)} for {through}")
        lacks += _count(fit, rules.enough_flat_darks, lack, ()).lacks
    total = _count(fitting, rules.enough_flat_darks, Lack("flat-darks"), ())
    return replace(total, enough=not lacks, lacks=tuple(dict.fromkeys(lacks)))


def _bias(bias: Sequence[Shots], rules: CalibrationRules, lacking: Sequence[str]) -> Supply:
    found = _count(bias, rules.enough_bias, Lack("bias"), ())
    if found.enough or not lacking:
        # Darks and flat-darks of the right length hold the bias already.
        return replace(found, enough=True, wanted=None, lacks=())
    (lack,) = found.lacks
    unless = f", unless the {' and '.join(lacking)} are taken"
    return replace(found, lacks=(replace(lack, tail=f"{lack.tail}{unless}"),))


# --- counting and words ---------------------------------------------------------------------


def _count(fitting: Sequence[Shots], enough: int, lack: Lack, notes: tuple[str, ...]) -> Supply:
    frames = sum(s.frames for s in fitting if not s.master)
    masters = sum(s.frames for s in fitting if s.master)
    told = [s.worth for s in fitting if s.master]
    behind = frames + sum(n for n in told if n)
    silent = any(n is None for n in told)
    if silent and lack.head:
        kind = lack.head.split()[0]
        notes = (*notes, f"{kind}: a master does not say how many frames are in it")
    if behind >= enough or silent:
        return Supply(frames, masters, True, enough, (), notes)
    have = f" ({behind} of {enough})" if behind else ""
    lacks = (replace(lack, tail=f"{lack.tail}{have}"),)
    return Supply(frames, masters, False, enough, lacks, notes)


def _seconds(value: float | None) -> str:
    return "unknown length" if value is None else f"{value:g} s"


def _at(sensor_c: float | None) -> str:
    return "" if sensor_c is None else f" at {sensor_c:.0f} C"


def _angle(rotator_deg: float | None) -> str:
    return "" if rotator_deg is None else f" at rotator angle {rotator_deg:.0f}"
