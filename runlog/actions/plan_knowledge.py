"""What a plan is made from: the rigs at work, their sites, and what their logs tell."""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from statistics import median

import numpy as np
from sqlalchemy import Connection

from runlog.actions.rig_settings import settings_of
from runlog.config import Settings
from runlog.core.columns import plural
from runlog.core.frame import Grade
from runlog.core.grading.policy import extinction_mag
from runlog.core.ledger.forecast import FEWEST_NIGHTS, pace_of
from runlog.core.plan.cadence import Cadence, Taken, cadence_of, usual_exposure
from runlog.core.plan.moon_law import MoonLaw, Seen, moon_law, moonlight_nl
from runlog.core.plan.wanted import ASSUMED_EXPOSURE_S, Knowledge
from runlog.core.plan.worth import quantile, share_usable
from runlog.core.selection import Selection
from runlog.core.sky.earth import Site
from runlog.core.sky.moon_phase import moon_phase_angles_deg
from runlog.core.sky.sidereal import days_since_j2000, greenwich_sidereal_deg
from runlog.core.targets.sequence_words import split_panel
from runlog.store import plan as store
from runlog.store import totals as total_store
from runlog.store.catalogue import target_names
from runlog.store.plan import Light, RigRun
from runlog.store.totals import NightSums

RECENT_RUNS = 60  # of a rig: what it is used for now
CADENCE_RUNS = 3
AT_WORK_DAYS = 180  # a rig whose last run is longer before the last of all rests
SAME_SITE_DEG = 0.5
CLEAR_TRANSPARENCY = 0.9
DARK_SUN_DEG = -18.0
GOOD_AIRMASS = 2.0
POOR_NIGHT, GOOD_NIGHT = 0.1, 0.9


@dataclass(frozen=True)
class RigAtWork:
    """A rig with its log, as far as a plan reads it."""

    rig_id: int
    name: str
    last_night: str
    site: Site | None
    site_from: str
    settings: Settings
    lights: tuple[Light, ...]  # taken at this site
    nights_of: Mapping[int, str]  # by run, wherever
    record: tuple[NightSums, ...]  # of its nights at this site
    log: tuple[Light, ...] = ()  # its last runs wherever: how it works goes with it
    longitudes: Mapping[int, float | None] = field(default_factory=dict)  # of those, by run
    filters: frozenset[str] = frozenset()  # used on any night, wherever

    @property
    def uses_dual_band(self) -> bool:
        """Tell whether its last runs took frames that count for several filters."""
        return any(light.filter in self.settings.bands for light in self.log)


def rigs_at_work(
    connection: Connection,
    settings: Settings,
    named: Iterable[str] | None,
    site_name: str | None = None,
    among: Collection[str] = (),
) -> list[RigAtWork]:
    """Load the rigs that are in use, or those named; the one used last first.

    They stand where they stood last, or at a site that the config file names. Where any of `among`
    has nights, these are all the rigs there are.
    """
    by_rig: dict[int, list[RigRun]] = {}
    for run in store.rig_runs(connection):
        by_rig.setdefault(run.rig_id, []).append(run)
    names = None if named is None else set(named)
    if names is None:
        by_rig = {i: runs for i, runs in by_rig.items() if runs[0].rig in among} or by_rig
    newest = max((runs[0].night for runs in by_rig.values()), default="")
    return [
        _rig(connection, settings, runs, site_name)
        for runs in by_rig.values()
        if (runs[0].rig in names if names is not None else _rests(runs[0].night, newest))
    ]


def _rests(last: str, newest: str) -> bool:
    return (date.fromisoformat(newest) - date.fromisoformat(last)).days <= AT_WORK_DAYS


def _rig(
    connection: Connection, settings: Settings, runs: Sequence[RigRun], site_name: str | None
) -> RigAtWork:
    last = runs[0]
    settings = settings_of(connection, last.rig_id, settings)
    usual, _ = _site(last, settings)
    site, said, settings = _chosen_site(last, settings, site_name)
    here = [run for run in runs if _is_here(run, site, usual)]
    nights = {run.night for run in here}
    record = total_store.by_night(connection, Selection(rigs=(last.rig,)), with_worth=False)
    recent = [run.id for run in here[:RECENT_RUNS]]
    lights = tuple(store.lights_of(connection, recent))
    moved = here[:RECENT_RUNS] != list(runs[:RECENT_RUNS])
    wherever = [run.id for run in runs[:RECENT_RUNS]]
    return RigAtWork(
        rig_id=last.rig_id,
        name=last.rig,
        last_night=last.night,
        site=site,
        site_from=said,
        settings=settings,
        lights=lights,
        nights_of={run.id: run.night for run in runs},
        record=tuple(row for row in record if row.night in nights),
        log=tuple(store.lights_of(connection, wherever)) if moved else lights,
        longitudes={run.id: _longitude(run, usual) for run in runs},
        filters=frozenset(row.filter for row in record),
    )


def _longitude(run: RigRun, usual: Site | None) -> float | None:
    """Give where a run was taken; one that does not say was taken where the rig usually is."""
    if run.longitude_deg is not None:
        return run.longitude_deg
    return None if usual is None else usual.longitude_deg


def _chosen_site(
    run: RigRun, settings: Settings, name: str | None
) -> tuple[Site | None, str, Settings]:
    """Give the site to plan for, who says so, and the settings as they are there."""
    if name is None:
        return *_site(run, settings), settings
    there = settings.sites[name]
    site = Site(there.latitude_deg, there.longitude_deg, there.elevation_m)
    return site, f"config, {name}", replace(settings, clock=there.clock, plan=there.plan)


def _site(run: RigRun, settings: Settings) -> tuple[Site | None, str]:
    """Give the config's site, else that of the rig's last run."""
    elevation_m = settings.elevation_m or run.elevation_m or 0.0
    if settings.latitude_deg is not None and settings.longitude_deg is not None:
        return Site(settings.latitude_deg, settings.longitude_deg, elevation_m), "config"
    if run.latitude_deg is not None and run.longitude_deg is not None:
        return Site(run.latitude_deg, run.longitude_deg, elevation_m), f"last run, {run.night}"
    return None, "unknown"


def _is_here(run: RigRun, site: Site | None, usual: Site | None) -> bool:
    """Tell whether a run was taken at a site; where it does not say, at the rig's usual one."""
    if site is None:
        return True
    latitude_deg, longitude_deg = run.latitude_deg, run.longitude_deg
    if latitude_deg is None or longitude_deg is None:
        if usual is None:
            return True
        latitude_deg, longitude_deg = usual.latitude_deg, usual.longitude_deg
    apart = (longitude_deg - site.longitude_deg + 180) % 360 - 180
    return max(abs(latitude_deg - site.latitude_deg), abs(apart)) <= SAME_SITE_DEG


# --- places ------------------------------------------------------------------------------------


def places_of(connection: Connection, targets: Iterable[str]) -> dict[str, tuple[float, float]]:
    """Find where targets are: the median of their lights, else the catalogue's place."""
    targets = sorted(set(targets))
    seen = store.pointings(connection, targets)
    found = {}
    for target in targets:
        if target in seen:
            found[target] = _median_place(seen[target])
            continue
        # A panel without frames lies near its mosaic; its own place is not known.
        place = target_names().catalogue.place(split_panel(target)[0])
        if place is not None:
            found[target] = (place.ra_deg, place.dec_deg)
    return found


def _median_place(points: Sequence[tuple[float, float, int]]) -> tuple[float, float]:
    """Take medians, right ascension around that of most frames: 0 and 360 are neighbours."""
    centre = max(points, key=lambda p: (p[2], p[0], p[1]))[0]
    ra = [((p[0] - centre + 180) % 360 - 180) for p in points for _ in range(p[2])]
    dec = [p[1] for p in points for _ in range(p[2])]
    return (centre + median(ra)) % 360, median(dec)


# --- what the log tells ------------------------------------------------------------------------


def knowledge_of(rig: RigAtWork, filters: Iterable[str]) -> Knowledge:
    """Learn from a rig's log what a plan needs for some filters."""
    filters = sorted(set(filters))
    of_all = share_of_all(rig)
    pace = pace_of([row.night for row in rig.record if row.logged_s])
    low, high = _spread(rig.record)
    return Knowledge(
        rig=rig.name,
        cadence=_cadence(rig),
        laws=_laws(rig, filters),
        extinction_mag={name: extinction_mag(name) for name in filters},
        share={name: _share(rig.record, name, of_all or 1.0) for name in filters},
        share_from=_share_words(rig, of_all),
        form=rig.settings.depth_form,
        usual_airmass=_usual_airmass(rig.lights),
        clear=pace.share if pace.clear_nights >= FEWEST_NIGHTS else None,
        low=low,
        high=high,
    )  # fmt: skip


def share_of_all(rig: RigAtWork) -> float | None:
    """Give the share of the graded time that was kept; None where nothing was kept yet."""
    kept_s = sum(row.kept_s for row in rig.record)
    return kept_s / sum(map(_graded_s, rig.record)) if kept_s else None


def _share_words(rig: RigAtWork, of_all: float | None) -> str:
    if of_all is None:
        return "nothing was kept yet: taken as all of it"
    return plural(len({row.night for row in rig.record}), "night")


def _graded_s(row: NightSums) -> float:
    """Give the time of which it is known whether it served."""
    return row.logged_s - row.ungraded_s


def _share(record: Sequence[NightSums], name: str, of_all: float) -> float:
    own = [row for row in record if row.filter == name]
    return share_usable(sum(r.kept_s for r in own), sum(map(_graded_s, own)), of_all)


def _spread(record: Sequence[NightSums]) -> tuple[float | None, float | None]:
    """Give the kept share of a poor night and of a good one, where five nights tell."""
    sums: dict[str, list[float]] = {}
    for row in record:
        own = sums.setdefault(row.night, [0.0, 0.0])
        own[0] += row.kept_s
        own[1] += _graded_s(row)
    shares = [kept / graded for kept, graded in sums.values() if graded]
    if len(shares) < FEWEST_NIGHTS:
        return None, None
    return quantile(shares, POOR_NIGHT), quantile(shares, GOOD_NIGHT)


def _usual_airmass(lights: Sequence[Light]) -> dict[str, float]:
    """Give the airmass of the better quarter of a target's frames: its effective time is of it."""
    found: dict[str, list[float]] = {}
    for light in lights:
        if light.airmass is not None and 1 <= light.airmass < GOOD_AIRMASS:
            found.setdefault(light.target, []).append(light.airmass)
    return {target: quantile(values, 0.25) for target, values in found.items()}


def _cadence(rig: RigAtWork) -> Cadence:
    runs: dict[int, list[Taken]] = {}
    for light in rig.log:
        if light.taken_at_utc is not None and light.exposure_s:
            longitude_deg = rig.longitudes[light.run_id]
            runs.setdefault(light.run_id, []).append(_taken(light, longitude_deg))
    latest = sorted(runs, key=lambda run: (rig.nights_of[run], run))[-CADENCE_RUNS:]
    plan = rig.settings.plan
    return cadence_of(
        [runs[run] for run in latest], plan.before_meridian_min, plan.after_meridian_min
    )


def _taken(light: Light, longitude_deg: float | None) -> Taken:
    assert light.taken_at_utc is not None  # the caller chose those that have a time
    days = days_since_j2000(light.taken_at_utc)
    angle = None
    if longitude_deg is not None and light.ra_deg is not None:
        sidereal = greenwich_sidereal_deg(days) + longitude_deg
        angle = (sidereal - light.ra_deg + 180) % 360 - 180
    side = light.pier_side
    return Taken(days * 86400, light.exposure_s or 0.0, light.target, light.filter, side, angle)


def exposure_for(lights: Sequence[Light], target: str, filter_name: str) -> tuple[float, str]:
    """Choose a frame's length: as most used of the target through the filter, else of the rig."""
    ways = (
        (f"most used for {target} {filter_name}",
         lambda x: x.target == target and x.filter == filter_name),
        (f"most used through {filter_name}", lambda x: x.filter == filter_name),
        ("assumed: the rig's most used, for want of one of this filter", lambda x: True),
    )  # fmt: skip
    for said, fits in ways:
        found = usual_exposure(Counter(x.exposure_s for x in lights if x.exposure_s and fits(x)))
        if found is not None:
            return found, said
    return ASSUMED_EXPOSURE_S, "assumed"


# --- moonlight ---------------------------------------------------------------------------------


def _laws(rig: RigAtWork, filters: Sequence[str]) -> dict[str, MoonLaw]:
    binning = Counter(x.binning_x for x in rig.lights).most_common(1)
    clear = [x for x in rig.lights if _tells(x) and x.binning_x == binning[0][0]]
    moon = _moonlight(clear)
    by_filter: dict[str, list[tuple[bool, Seen]]] = {}
    for light, moon_nl in zip(clear, moon, strict=True):
        if light.filter in filters:
            seen = _seen(light, moon_nl, rig.nights_of[light.run_id])
            by_filter.setdefault(light.filter, []).append(seen)
    dark_mag = rig.settings.plan.dark_sky_mag
    return {
        name: moon_law(_one_unit(by_filter.get(name, ())), name, extinction_mag(name), dark_mag)
        for name in filters
    }


def _tells(light: Light) -> bool:
    """Tell whether a frame shows a clear, dark sky whose level is known."""
    return (
        light.grade == Grade.KEEP.value
        and (light.transparency or 0.0) > CLEAR_TRANSPARENCY
        and light.sun_alt_deg is not None
        and light.sun_alt_deg < DARK_SUN_DEG
        and None not in (light.airmass, light.moon_alt_deg, light.moon_sep_deg, light.taken_at_utc)
        and light.background_adu is not None
        and bool(light.exposure_s)
        and (light.pedestal_adu is not None or bool(light.noise_adu and light.egain_e_adu))
    )


def _moonlight(lights: Sequence[Light]) -> list[float]:
    if not lights:
        return []
    phase = moon_phase_angles_deg([x.taken_at_utc for x in lights if x.taken_at_utc is not None])
    apart, up, airmass = (
        np.array([getattr(x, name) for x in lights], dtype=float)
        for name in ("moon_sep_deg", "moon_alt_deg", "airmass")
    )
    altitude = np.degrees(np.arcsin(1 / np.maximum(airmass, 1.0)))  # of a plane atmosphere
    return [float(v) for v in moonlight_nl(phase, apart, up, altitude)]


def _seen(light: Light, moon_nl: float, night: str) -> tuple[bool, Seen]:
    """Give a frame's sky in electrons, where the gain is known; without a zero level its noise."""
    gain, exposure_s = light.egain_e_adu, light.exposure_s or 1.0
    airmass = light.airmass or 1.0
    noise = (light.noise_adu * gain) ** 2 / exposure_s if light.noise_adu and gain else None
    if light.pedestal_adu is None:
        return True, Seen(night, noise or 0.0, None, airmass, moon_nl)
    rate = ((light.background_adu or 0.0) - light.pedestal_adu) / exposure_s
    return bool(gain), Seen(night, rate * (gain or 1.0), noise, airmass, moon_nl)


def _one_unit(seen: Sequence[tuple[bool, Seen]]) -> list[Seen]:
    """Keep the frames in electrons where there are any: two units do not mix."""
    electrons = [one for known, one in seen if known]
    return electrons or [one for _, one in seen]
