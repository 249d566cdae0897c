"""Which calibration frames are not fit for use, beside the lights they would be used for."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Engine

from runlog.actions.flat_shadows import shadow_findings
from runlog.config import Settings
from runlog.core.calibration.fit import LightGroup
from runlog.core.calibration.judged import Finding, judge
from runlog.core.frame import Kind
from runlog.core.selection import Selection
from runlog.store.engine import reading
from runlog.store.judged_calibration import any_before, level_frames


@dataclass(frozen=True, slots=True)
class Judged:
    """What is found of calibration frames, and from which evening on they were looked at."""

    findings: Sequence[Finding] = ()
    since: str | None = None  # None where none is older


def judged_calibration(
    engine: Engine, groups: Sequence[LightGroup], selection: Selection, settings: Settings
) -> Judged:
    """Judge the sets of calibration frames that may serve some lights, and the dust on the flats.

    Frames age: those are judged that are at the most as much older than the lights as darks may
    be, the last night of them, or the first where the lights of some nights are asked about.
    """
    since = _since(groups, selection, settings.calibration.dark_age_days)
    with reading(engine) as connection:
        frames = level_frames(connection, since)
        older = since is not None and any_before(connection, since)
    found = judge(frames) + shadow_findings(engine, groups, frames, since)
    if groups or not selection.asks_nothing:
        found = of_groups(groups, found)
    return Judged(found, since if older else None)


def _since(groups: Sequence[LightGroup], selection: Selection, days: float) -> str | None:
    nights = [night for group in groups for night in group.nights if night]
    if not nights:
        return None
    dated = any((selection.night, selection.since, selection.until))
    first = date.fromisoformat(min(nights) if dated else max(nights))
    return (first - timedelta(days=days)).isoformat()


def of_groups(groups: Sequence[LightGroup], findings: Sequence[Finding]) -> list[Finding]:
    """Choose what is found of frames that may be taken for any of some groups of lights."""
    return [f for f in findings if any(_may_serve(group, f) for group in groups)]


def _may_serve(group: LightGroup, finding: Finding) -> bool:
    one, sensor = finding.one, replace(group.sensor, partial=False, origin=None)
    if one.kind is Kind.FLAT:
        same = (one.rig_id, one.filter) == (group.rig_id, group.filter)
        return same and one.sensor.fits_region(sensor)
    same = one.rig_id == group.rig_id and one.sensor.fits(sensor)
    return same and (one.kind is not Kind.DARK or one.exposure_s == group.exposure_s)


def finding_row(finding: Finding) -> dict[str, Any]:
    """Write a finding with the keys of `judged` in `runlog.calibration/1`."""
    one = finding.one
    return {
        "kind": one.kind.value,
        "night": one.night or None,
        "rig": one.rig,
        "filter": one.filter if one.kind is Kind.FLAT else None,
        "exposure_s": one.exposure_s,
        "set_c": one.set_c,
        "doubt": finding.code,
        "frames": finding.frames,
        "of": finding.of,
        "reason": finding.text,
    }
