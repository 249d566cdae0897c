"""The state of the warnings as JSON, so that a restart warns nobody twice."""

from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Any

from runlog.core.watch.alarms import Alarms
from runlog.core.watch.chart import Chart
from runlog.core.watch.pace import Pace

FORM = "runlog.alarms/1"
TIMES = ("since_utc", "good_since_utc", "start_utc", "arrived_utc")


def to_json(alarms: Alarms) -> dict[str, Any]:
    """Turn a state into what `json.dumps` takes."""
    return {
        "form": FORM,
        "charts": {cause: _written(asdict(chart)) for cause, chart in alarms.charts.items()},
        "standing": {cause: at.isoformat() for cause, at in alarms.standing.items()},
        "pace": _written(asdict(alarms.pace)),
        "off_set_point_c": alarms.off_set_point_c,
        "seen": list(alarms.seen),
    }


def from_json(kept: Mapping[str, Any]) -> Alarms:
    """Undo `to_json`; a state of another form begins anew."""
    if kept.get("form") != FORM:
        return Alarms()
    return Alarms(
        charts={cause: _chart(values) for cause, values in kept["charts"].items()},
        standing={c: datetime.fromisoformat(at) for c, at in kept["standing"].items()},
        pace=_pace(kept["pace"]),
        off_set_point_c=kept["off_set_point_c"],
        seen=tuple(kept["seen"]),
    )


def _written(values: dict[str, Any]) -> dict[str, Any]:
    return {n: v.isoformat() if isinstance(v, datetime) else v for n, v in values.items()}


def _read(values: Mapping[str, Any]) -> dict[str, Any]:
    times = {n: datetime.fromisoformat(values[n]) for n in TIMES if values.get(n) is not None}
    return {**values, **times}


def _chart(values: Mapping[str, Any]) -> Chart:
    own = _read(values)
    return Chart(**{**own, "faults": tuple((name, weight) for name, weight in own["faults"])})


def _pace(values: Mapping[str, Any]) -> Pace:
    own = _read(values)
    return Pace(**{**own, "gaps_s": tuple(own["gaps_s"]), "delays_s": tuple(own["delays_s"])})
