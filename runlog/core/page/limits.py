"""Where the limits in force lie on a night's charts: in the chart's own unit, frame by frame.

A limit is on how many times a value is what is usual for its frame; on a chart of the values it
lies where that many times would be reached.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from runlog.core.frame import Frame
from runlog.core.grading.fault_kind import Check
from runlog.core.grading.faults import bright_sky, cloud, soft
from runlog.core.grading.physics import LONGEST
from runlog.core.grading.policy import Setting

Explained = Mapping[str, Sequence[Check]]
DOUBTFUL_BEYOND = "limit: a frame beyond it is looked at as doubtful"


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit over the night; None where it was not asked of a frame."""

    measure: str  # as the chart's panel
    says: str
    values: tuple[float | None, ...]  # one a dated frame

    def as_row(self) -> dict[str, Any]:
        """Write it with its published keys."""
        return {"says": self.says, "values": list(self.values)}


Place = Callable[[Frame, float, Check], float | None]  # the frame, its value on the chart, a check


def _in_proportion(frame: Frame, value: float, check: Check) -> float | None:
    assert check.limit is not None
    return value * check.limit.doubtful / check.value if check.value else None


def _as_it_is(frame: Frame, value: float, check: Check) -> float | None:
    assert check.limit is not None
    return check.limit.doubtful


def _above_zero_level(frame: Frame, value: float, check: Check) -> float | None:
    """Leave the camera's zero level out of what grows, as the check does."""
    level, zero = frame.measurement.background_adu, frame.context.pedestal_adu
    if not level or zero is None:
        return None
    own = value * (level - zero) / level
    limit = _in_proportion(frame, own, check)
    return None if limit is None else limit + value * zero / level


LINES: Mapping[str, tuple[Setting[Any], Place]] = {
    "fwhm_px": (soft.RATIO, _in_proportion),
    "eccentricity": (LONGEST, _as_it_is),
    "light": (cloud.TRANSPARENCY, _in_proportion),
    "sky": (bright_sky.RATIO, _above_zero_level),
}


def limits_of(
    frames: Sequence[Frame], explained: Explained, values: Mapping[str, Sequence[float | None]]
) -> Iterator[Limit]:
    """Place the limits of a night's dated frames, whose values stand on the charts."""
    for measure, (setting, place) in LINES.items():
        if measure in values:
            line = [
                _placed(frame, value, explained.get(frame.key, ()), setting, place)
                for frame, value in zip(frames, values[measure], strict=True)
            ]
            if any(at is not None for at in line):
                yield Limit(measure, DOUBTFUL_BEYOND, tuple(line))


def _placed(
    frame: Frame, value: float | None, checks: Sequence[Check], setting: Setting[Any], place: Place
) -> float | None:
    check = next((c for c in checks if c.setting is setting and c.limit and c.value), None)
    if check is None or value is None:
        return None
    at = place(frame, value, check)
    return None if at is None else round(at, 4)
