"""The config file: TOML to frozen settings. Loading it creates nothing."""

import os
import shlex
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from math import isfinite
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import platformdirs

from runlog.core.calibration.fit import CalibrationRules
from runlog.core.grading.faults import settings as grading_settings
from runlog.core.grading.policy import Limit, Policy, Sense, Setting
from runlog.core.header.filters import fold_filter
from runlog.core.header.parse import HeaderRules
from runlog.core.ledger.effective_time import DepthForm
from runlog.core.plan.named_site import NamedSite
from runlog.core.plan.settings import PlanSettings, horizon_fault
from runlog.core.sky.nights import Clock
from runlog.errors import ConfigError
from runlog.ingest.task import Limits

DB_VARIABLE = "RUNLOG_DB"
CONFIG_VARIABLE = "RUNLOG_CONFIG"


# Where a setting stands in the file: section, for limits perhaps a filter, name.
SettingPlace = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything a person may set; the defaults need no file at all."""

    latitude_deg: float | None = None
    longitude_deg: float | None = None
    opener: str = ""  # the program that opens a frame's file
    browser: str = ""  # the program that shows a page; empty: the machine's own browser
    elevation_m: float = 0.0
    clock: Clock = field(default_factory=Clock)
    rules: HeaderRules = field(default_factory=HeaderRules)
    pedestal_adu: float | None = None
    policy: Policy = field(default_factory=Policy)
    depth_form: DepthForm = DepthForm.POINT
    colour_filter: str = "OSC"  # what a colour camera without a filter counts as
    bands: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    count_doubtful: bool = False  # whether doubtful hours count towards goals
    calibration: CalibrationRules = field(default_factory=CalibrationRules)
    plan: PlanSettings = field(default_factory=PlanSettings)
    sites: Mapping[str, NamedSite] = field(default_factory=dict)  # to plan for, by name
    limits: Limits = field(default_factory=Limits)  # of size and time, for each file of a scan
    source: str = ""  # the file, if there is one
    said: frozenset[SettingPlace] = frozenset()  # what the file sets, be it to a default


def default_database() -> str:
    """Name the database: RUNLOG_DB, else a file in the user's data folder."""
    folder = Path(platformdirs.user_data_dir("runlog", appauthor=False))
    return os.environ.get(DB_VARIABLE) or str(folder / "runlog.sqlite")


def default_config() -> Path:
    """Name the config file a person may write; it need not exist."""
    return Path(platformdirs.user_config_dir("runlog", appauthor=False)) / "runlog.toml"


def chosen_config(named: Path | None) -> Path | None:
    """Choose the config file: the one named, RUNLOG_CONFIG, the default one if there is any."""
    variable = os.environ.get(CONFIG_VARIABLE)
    if named or variable:
        return named or Path(str(variable))
    return default_config() if default_config().is_file() else None


def load_settings(path: Path | None) -> Settings:
    """Read the config file, if there is one."""
    source = chosen_config(path)
    if source is None:
        return Settings()
    try:
        table = tomllib.loads(source.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise ConfigError("There is no such config file", str(source)) from error
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ConfigError(f"The config file cannot be read ({error})", str(source)) from error
    return _Reader(source).settings(table)


# --- the settings that grade: kept in the database, a set a rig ------------------------------

# Section and name in the file -> field of `Settings`; the limits are besides.
GRADING: Mapping[SettingPlace, str] = {
    ("site", "latitude_deg"): "latitude_deg",
    ("site", "longitude_deg"): "longitude_deg",
    ("site", "elevation_m"): "elevation_m",
    ("camera", "pedestal_adu"): "pedestal_adu",
    ("depth", "form"): "depth_form",
}


def grading_of(settings: Settings) -> dict[SettingPlace, Any]:
    """Give the settings that grade, where the file names them or they are not the defaults."""
    policy, default = settings.policy, Settings()
    places = [*GRADING, *(("policy", name) for name in grading_settings())]
    places += [("policy", own, name) for own, limits in policy.by_filter.items() for name in limits]
    return {
        place: value
        for place in places
        if (value := grading_value(settings, place)) != grading_value(default, place)
        or place in settings.said
    }


def grading_value(settings: Settings, place: SettingPlace) -> Any:
    """Give one setting as the file would write it; None where it is not set."""
    if place in GRADING:
        return getattr(settings, GRADING[place])
    general = settings.policy[grading_settings()[place[-1]]]
    value = settings.policy.by_filter.get(place[1], {}).get(place[-1], general)
    return [value.doubtful, value.reject] if isinstance(value, Limit) else value


def as_sections(grading: Mapping[SettingPlace, Any]) -> dict[str, Any]:
    """Turn settings by place into sections, as the file has them."""
    sections: dict[str, Any] = {}
    for (section, *between, name), value in grading.items():
        table = sections.setdefault(section, {})
        for key in between:
            table = table.setdefault(key, {})
        table[name] = value
    return sections


def graded_by(settings: Settings, sections: Mapping[str, Any]) -> Settings:
    """Give settings as they are but for those that grade, which the sections say."""
    said = _Reader(Path("the database")).settings(sections)
    taken = {name: getattr(said, name) for name in (*GRADING.values(), "policy")}
    return replace(settings, **taken)


SECTIONS = {
    "site": {
        *("latitude_deg", "longitude_deg", "elevation_m", "time_zone"),
        *("horizon", "lowest_deg", "dark_sky_mag"),
    },
    "sites": None,  # [sites.NAME], with what [site] takes
    "tonight": {"twilight_deg", "before_meridian_min", "after_meridian_min", "season_hours"},
    "camera": {"pedestal_adu", "colour_filter"},
    "filters": None,  # any name
    "keywords": None,
    "depth": {"form"},
    "bands": None,  # a dual-band filter = the bands it passes
    "goals": {"count_doubtful"},
    "review": {"open_with", "browse_with"},  # programs: for a frame's file, for a page
    "calibration": set(CalibrationRules.__dataclass_fields__),
    "scan": set(Limits.__dataclass_fields__),
    "policy": None,  # limits, and tables of limits by filter
}


class _Reader:
    """Turns the tables of one file into settings, naming the file in every complaint."""

    def __init__(self, source: Path) -> None:
        self.source = source

    def settings(self, table: Mapping[str, Any]) -> Settings:
        self._refuse_unknown(table)
        site = table.get("site", {})
        longitude = self._number(site, "longitude_deg", -180, 360)
        return Settings(
            latitude_deg=self._number(site, "latitude_deg", -90, 90),
            longitude_deg=longitude,
            elevation_m=self._number(site, "elevation_m", -500, 9000) or 0.0,
            clock=self._clock(site, longitude),
            rules=self._rules(table),
            pedestal_adu=self._number(table.get("camera", {}), "pedestal_adu", 0, 1e6),
            policy=self._policy(table.get("policy", {})),
            depth_form=self._form(table.get("depth", {})),
            colour_filter=self._colour(table.get("camera", {})),
            bands=self._bands(table.get("bands", {})),
            count_doubtful=self._flag(table.get("goals", {}), "count_doubtful"),
            calibration=self._calibration(table.get("calibration", {})),
            plan=self._plan(site, table.get("tonight", {})),
            sites=self._sites(table),
            limits=self._scan_limits(table.get("scan", {})),
            opener=self._program(table.get("review", {}), "open_with"),
            browser=self._program(table.get("review", {}), "browse_with"),
            source=str(self.source),
            said=frozenset(self._said(table)),
        )

    def _said(self, table: Mapping[str, Any]) -> Iterator[SettingPlace]:
        for section, content in table.items():
            for name, value in content.items():
                if section == "policy" and isinstance(value, dict):
                    yield from ((section, fold_filter(name, {}) or name, own) for own in value)
                else:
                    yield section, name

    def _colour(self, camera: Mapping[str, Any]) -> str:
        name = camera.get("colour_filter", "OSC")
        if not isinstance(name, str) or not name.strip():
            self._complain(f"colour_filter = {name!r} is no filter's name")
        return str(name).strip()

    def _bands(self, table: Mapping[str, Any]) -> dict[str, tuple[str, ...]]:
        for name, bands in table.items():
            if not isinstance(bands, list) or not all(isinstance(b, str) for b in bands):
                self._complain(f"bands of {name!r} should be a list", 'As in Duo = ["Ha", "OIII"]')
        return {
            fold_filter(name, {}) or name: tuple(fold_filter(b, {}) or b for b in bands)
            for name, bands in table.items()
        }

    def _flag(self, table: Mapping[str, Any], name: str) -> bool:
        value = table.get(name, False)
        if not isinstance(value, bool):
            self._complain(f"{name} = {value!r} should be true or false")
        return bool(value)

    def _calibration(self, table: Mapping[str, Any]) -> CalibrationRules:
        glow = self._flag(table, "no_glow")
        numbers = {n: self._number(table, n, 0, 10_000) for n in table if n != "no_glow"}
        counts = {n: int(v) if n.startswith("enough_") else v for n, v in numbers.items()}
        return replace(CalibrationRules(), no_glow=glow, **counts)

    def _scan_limits(self, table: Mapping[str, Any]) -> Limits:
        most = {"most_megapixels": (0.001, 1000), "patience": (0.001, 1000)}
        return replace(Limits(), **{n: self._number(table, n, *most[n]) for n in table})

    def _plan(self, site: Mapping[str, Any], tonight: Mapping[str, Any]) -> PlanSettings:
        own = {
            "lowest_deg": self._number(site, "lowest_deg", 0, 85),
            "dark_sky_mag": self._number(site, "dark_sky_mag", 14, 23),
            "twilight_deg": self._number(tonight, "twilight_deg", -18, -6),
            "before_meridian_min": self._number(tonight, "before_meridian_min", 0, 180),
            "after_meridian_min": self._number(tonight, "after_meridian_min", 0, 180),
            "season_hours": self._number(tonight, "season_hours", 0.1, 24),
        }
        horizon = self._horizon(site.get("horizon", []))
        return PlanSettings(horizon=horizon, **{n: v for n, v in own.items() if v is not None})

    def _sites(self, table: Mapping[str, Any]) -> dict[str, NamedSite]:
        sites = table.get("sites", {})
        for name, site in sites.items():
            if not isinstance(site, dict) or not {"latitude_deg", "longitude_deg"} <= site.keys():
                what = f"[sites.{name}] does not say where it is"
                self._complain(what, "Write latitude_deg and longitude_deg there")
            self._refuse_unknown({"site": site})
        return {name: self._site(site, table.get("tonight", {})) for name, site in sites.items()}

    def _site(self, site: Mapping[str, Any], tonight: Mapping[str, Any]) -> NamedSite:
        longitude = self._number(site, "longitude_deg", -180, 360)
        return NamedSite(
            self._number(site, "latitude_deg", -90, 90),
            longitude,
            self._number(site, "elevation_m", -500, 9000) or 0.0,
            self._clock(site, longitude),
            self._plan(site, tonight),
        )

    def _horizon(self, points: Any) -> tuple[tuple[float, float], ...]:
        as_in = "As in horizon = [[0, 20], [90, 35], [180, 25], [270, 30]]: azimuth, altitude"
        if points == []:
            return ()
        if not isinstance(points, list) or not all(map(_is_point, points)):
            self._complain("horizon should be a list of points", as_in)
        horizon = tuple((float(azimuth), float(altitude)) for azimuth, altitude in points)
        fault = horizon_fault(horizon)
        if fault is not None:
            self._complain(fault.what, fault.cure)
        return horizon

    def _refuse_unknown(self, table: Mapping[str, Any]) -> None:
        for section, content in table.items():
            if section not in SECTIONS:
                self._complain(f"[{section}] is not a section", f"Known: {', '.join(SECTIONS)}")
            if not isinstance(content, dict):
                self._complain(f"'{section}' should be a section", f"Write it as [{section}]")
            known = SECTIONS[section]
            for name in content:
                if known is not None and name not in known:
                    self._complain(
                        f"'{name}' is not a setting of [{section}]",
                        f"Known: {', '.join(sorted(known))}",
                    )

    def _complain(self, what: str, cure: str = "") -> None:
        raise ConfigError(f"The config file cannot be followed: {what}", str(self.source), cure)

    def _number(self, table: Mapping[str, Any], name: str, least: float, most: float) -> Any:
        value = table.get(name)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float):
            self._complain(f"{name} = {value!r} is not a number")
        if not least <= value <= most:
            self._complain(f"{name} = {value} is out of range", f"Between {least} and {most}")
        return float(value)

    def _clock(self, site: Mapping[str, Any], longitude: float | None) -> Clock:
        name = site.get("time_zone")
        if name is None:
            return Clock(longitude_deg=longitude)
        return Clock(longitude, self._zone(str(name)), f"time zone {name} in the config")

    def _program(self, review: Mapping[str, Any], name: str) -> str:
        program = review.get(name, "")
        if not isinstance(program, str):
            self._complain(f"{name} = {program!r} is no program", 'As in "viewer --new"')
        try:
            shlex.split(program)
        except ValueError as error:
            self._complain(f"{name} = {program!r} has an open quote ({error})")
        return str(program)

    def _zone(self, name: str) -> tzinfo:
        try:
            return ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError) as error:
            raise ConfigError(
                f"The config file names an unknown time zone, {name!r}",
                str(self.source),
                "Write it as in Europe/Vienna",
            ) from error

    def _rules(self, table: Mapping[str, Any]) -> HeaderRules:
        filters = {str(k): str(v) for k, v in table.get("filters", {}).items()}
        aliases = {
            str(k): tuple(v) if isinstance(v, list) else (str(v),)
            for k, v in table.get("keywords", {}).items()
        }
        return HeaderRules(filter_names=filters, aliases=aliases)

    def _form(self, table: Mapping[str, Any]) -> DepthForm:
        name = table.get("form", DepthForm.POINT.value)
        if name not in list(DepthForm):
            self._complain(f"form = {name!r} is not known", f"Known: {', '.join(DepthForm)}")
        return DepthForm(name)

    def _policy(self, table: Mapping[str, Any]) -> Policy:
        own = {name: value for name, value in table.items() if isinstance(value, dict)}
        general = {name: value for name, value in table.items() if name not in own}
        by_filter = {fold_filter(f, {}) or f: self._limits(limits) for f, limits in own.items()}
        return Policy(self._limits(general), by_filter)

    def _limits(self, table: Mapping[str, Any]) -> dict[str, Any]:
        known = grading_settings()
        unknown = sorted(set(table) - set(known))
        if unknown:
            self._complain(f"'{unknown[0]}' is not a limit", f"Known: {', '.join(known)}")
        plain = {n for n, setting in known.items() if isinstance(setting.default, int | float)}
        return {
            name: self._number(table, name, 0, 1e9)
            if name in plain
            else self._limit(known[name], value)
            for name, value in table.items()
        }

    def _limit(self, setting: Setting[Any], value: Any) -> Limit:
        name = setting.name
        if not isinstance(value, list) or len(value) != 2:
            self._complain(f"{name} should be [doubtful, reject]", f"As in {name} = [1.3, 1.6]")
        pair = {f"{name}, doubtful": value[0], f"{name}, reject": value[1]}
        limit = Limit(*(self._number(pair, key, 0, 1e9) for key in pair))
        if not setting.in_order(limit):
            less = setting.bad is Sense.BELOW
            self._complain(
                f"{name} = {value} would reject before it doubts",
                f"Less is worse here: as in {name} = [0.8, 0.5]" if less
                else f"More is worse here: as in {name} = [1.3, 1.6]",
            )  # fmt: skip
        return limit


def _is_point(point: Any) -> bool:
    """Tell a pair of finite numbers."""
    numbers = [isinstance(v, int | float) and not isinstance(v, bool) for v in _items(point)]
    return numbers == [True, True] and all(map(isfinite, point))


def _items(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []
