"""Which calibration frames are not fit for use, beside the lights they would be used for."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Engine

from runlog.actions.flat_shadows import shadow_findings
from runlog.core.calibration.fit import LightGroup
from runlog.core.calibration.judged import Finding, judge
from runlog.core.frame import Kind
from runlog.store.engine import reading
from runlog.store.judged_calibration import level_frames


def judged_calibration(engine: Engine, groups: Sequence[LightGroup]) -> list[Finding]:
    """Judge every set of calibration frames there is, and the dust on the flats of some lights."""
    with reading(engine) as connection:
        frames = level_frames(connection)
    return judge(frames) + shadow_findings(engine, groups, frames)


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
