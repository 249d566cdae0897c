"""Which calibration frames fit the kept lights, and what is missing."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Engine

from runlog.actions.judged_calibration import of_groups
from runlog.config import Settings
from runlog.core.calibration.fit import Calibration, Supply, calibrate, group_lights
from runlog.core.calibration.judged import Finding
from runlog.core.selection import EVERYTHING, Selection
from runlog.store import calibration as store
from runlog.store.engine import reading

CALIBRATION_KEYS = (
    "rig filter exposure_s gain offset readout_mode binning size origin set_c rotator_deg frames "
    "nights darks flats flat_darks bias missing notes doubts"
).split()


def calibrations(
    engine: Engine, settings: Settings, selection: Selection = EVERYTHING
) -> list[Calibration]:
    """Find for every group of the kept lights chosen what calibrates it."""
    aliases = settings.rules.aliases
    with reading(engine) as connection:
        lights, stock = store.lights_and_stock(
            connection, selection, settings.count_doubtful, aliases
        )
    rules = settings.calibration
    return [calibrate(group, stock, rules) for group in group_lights(lights, rules)]


def row_of(found: Calibration, judged: Sequence[Finding] = ()) -> dict[str, Any]:
    """Write a group with the keys of `runlog.calibration/1`, and what is doubtful of its frames."""
    group = found.lights
    return {
        "rig": group.rig,
        "filter": group.filter,
        "exposure_s": group.exposure_s,
        "gain": group.sensor.gain,
        "offset": group.sensor.offset,
        "readout_mode": group.sensor.readout_mode,
        "binning": list(group.sensor.binning),
        "size": list(group.sensor.size),
        "origin": None if group.sensor.origin is None else list(group.sensor.origin),
        "set_c": group.sensor_c,
        "rotator_deg": group.rotator_deg,
        "frames": group.frames,
        "nights": [night or None for night in group.nights],
        "darks": _counted(found.darks),
        "flats": _counted(found.flats),
        "flat_darks": _counted(found.flat_darks),
        "bias": _counted(found.bias),
        "missing": list(found.missing),
        "notes": list(found.notes),
        "doubts": [f.in_words for f in of_groups([group], judged) if not f.unknown],
    }


def _counted(found: Supply) -> dict[str, Any]:
    counts = {"frames": found.frames, "masters": found.masters, "enough": found.enough}
    return counts | {"wanted": found.wanted}
