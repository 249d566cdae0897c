"""What a page to keep holds: a night, a season or a target, as `runlog.report/1`."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from importlib.metadata import version
from typing import Any

import numpy as np
from sqlalchemy import Connection, Engine

from runlog.actions.night import NightInFull, nights_in_full
from runlog.actions.night_sky import RunSky
from runlog.actions.settings_digest import settings_digest
from runlog.actions.totals import to_go_rows
from runlog.config import Settings
from runlog.core.frame import Frame
from runlog.core.grading.fault_kind import Check
from runlog.core.grading.grade import explain_run
from runlog.core.page.night import NightSeen, sheet, title
from runlog.core.page.pictures import Chosen, PagePicture, as_png, choose, small_grey
from runlog.core.plain_values import plain
from runlog.core.selection import Selection
from runlog.core.sky.daylight import sky_as_known
from runlog.core.sky.earth import Site
from runlog.core.sky.ephemeris import sky_context
from runlog.core.story.charged import cause_of
from runlog.core.story.model import GradedLight
from runlog.core.times import Zone, clock, times_in
from runlog.ingest.preview import codes_of
from runlog.store.engine import reading
from runlog.store.previews import get_preview

SCHEMA = "runlog.report/1"
MOON_STEP = timedelta(minutes=20)


def night_page(
    engine: Engine, settings: Settings, selection: Selection, zone: Zone, now: datetime | None
) -> dict[str, Any]:
    """Report a night, a sheet a rig."""
    with times_in(zone), reading(engine) as connection:
        nights, whole = nights_in_full(connection, settings, selection)
        pictures = [_pictures(connection, night) for night in nights]
    with times_in(zone):
        shot = sorted({total.target for night in nights for total in night.report.added})
        to_go, aimless = to_go_rows(whole.totals(settings), shot)
        rows = [
            sheet(_seen(night, shown, to_go, aimless), zone)
            for night, shown in zip(nights, pictures, strict=True)
        ]
    moments = [night.report.pace.first for night in nights if night.report.pace]
    return page(
        "night",
        nights[0].report.night or "undated",
        title(nights[0].report.night),
        rows,
        made(engine, settings, zone, moments[0] if moments else None, now),
    )


def page(
    about: str,
    of: str,
    title: str,
    rows: Sequence[Mapping[str, Any]],
    made: Mapping[str, Any],
) -> dict[str, Any]:
    """Put a page together, with the keys of `runlog.report/1`."""
    found: dict[str, Any] = plain(
        {"schema": SCHEMA, "about": about, "of": of, "title": title, "made": made, "rows": rows}
    )
    return found


def made(
    engine: Engine, settings: Settings, zone: Zone, moment: datetime | None, now: datetime | None
) -> dict[str, Any]:
    """Say what a page was made with; the time it was made only where it is given."""
    return {
        "version": version("runlog"),
        "policy": settings_digest(settings),
        "database": _database(engine),
        "times": zone.name(moment) if moment else "UTC",
        "now_utc": now,
    }


def _database(engine: Engine) -> str:
    """Name the database by the last part of its name: where it lies is nobody's business."""
    name = engine.url.database or ""
    return name.replace("\\", "/").rsplit("/", 1)[-1]


def _seen(
    night: NightInFull,
    pictures: Sequence[PagePicture],
    to_go: Sequence[Mapping[str, Any]],
    aimless: Mapping[str, Sequence[str]],
) -> NightSeen:
    own = {total.target for total in night.report.added}
    return NightSeen(
        night.report,
        night.lights,
        _causes(night.told),
        list(_moon(night.sky, night.lights)),
        _explained(night),
        pictures,
        [row for row in to_go if row["target"] in own],
        {target: filters for target, filters in aimless.items() if target in own},
    )


def _explained(night: NightInFull) -> dict[str, list[Check]]:
    """Ask every frame again what each limit says of it: where the limits lie is not stored."""
    found = explain_run(sky_as_known(night.lights), night.policy, night.earlier)
    return {key: checks for key, (_, _, checks) in found.items()}


def _causes(told: Sequence[GradedLight]) -> dict[str, str]:
    return {light.frame.key: cause_of(light) for light in told if light.lost_s}


def _moon(sky: RunSky, lights: Sequence[Frame]) -> Iterator[tuple[datetime, float]]:
    """Follow the Moon over the frames and the dark; nothing where the site is not known."""
    starts = [f.header.taken_at_utc for f in lights if f.header.taken_at_utc is not None]
    if sky.place is None or not starts:
        return
    first = min([*starts, *(sky.dark or ())])
    longest = timedelta(seconds=max(f.header.exposure_s or 0.0 for f in lights))
    last = max([max(starts) + longest, *(sky.dark or ())])
    steps = int((last - first) / MOON_STEP) + 1
    moments = [first + (last - first) * n / steps for n in range(steps + 1)]
    nowhere = np.full(len(moments), np.nan)
    found = sky_context(moments, Site(*sky.place), nowhere, nowhere)
    yield from zip(moments, map(float, found.moon_alt_deg), strict=True)


# --- pictures -------------------------------------------------------------------------------


def _pictures(connection: Connection, night: NightInFull) -> list[PagePicture]:
    return [picture_of(connection, one) for one in choose(night.lights, _causes(night.told))]


def picture_of(connection: Connection, one: Chosen) -> PagePicture:
    """Make a small picture of a stored preview; a file is never opened for it."""
    frame = one.frame
    preview = get_preview(connection, frame.identity.id)
    if preview is None:
        trouble = "no picture of it is stored"
        return PagePicture(one.why, _caption(frame), frame.key, trouble=trouble)
    grey = small_grey(codes_of(preview.image))
    png = as_png(grey)
    return PagePicture(one.why, _caption(frame), frame.key, png, grey.shape[1], grey.shape[0])


def _caption(frame: Frame) -> str:
    at, width = frame.header.taken_at_utc, frame.measurement.fwhm_px
    parts = [clock(at)] if at is not None else []
    parts.append(f"{frame.context.target} {frame.context.filter}".strip())
    if width is not None:
        parts.append(f"FWHM {width:.1f} px")
    return ", ".join(parts)
