"""How the camera stands to the sky: from shifts in pixels to shifts north and east."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import atan2, degrees

import numpy as np
import numpy.typing as npt

from runlog.core.frame import Frame
from runlog.core.sky.plate_scale import Matrix

Floats = npt.NDArray[np.float64]

AGREE_DEG = 1.0  # between world coordinates and how frames lie on one another

NO_WORLD = "no header's world coordinates tell the camera's angle to the sky"
NOT_ALIKE = "world coordinates of the headers do not turn as the frames do"
OTHER_SENSE = "world coordinates of the headers are not of the sense that is said of the image"


@dataclass(frozen=True, slots=True)
class Camera:
    """Matrices of references: what is a pixel there, in arc seconds east and north."""

    of: Mapping[str, Floats]  # by key of the reference, (2, 2)
    reason: str = NO_WORLD  # why others are not known


def sampled(frames: Sequence[Frame]) -> list[Frame]:
    """Choose the frames whose headers are asked: two of each reference and way up."""
    found: dict[tuple[str | None, bool], list[Frame]] = {}
    for frame in frames:
        upside_down = abs(frame.placement.rotation_deg or 0.0) > 90
        found.setdefault((frame.placement.matched_to, upside_down), []).append(frame)
    ends = [(own[0], own[-1]) if len(own) > 1 else (own[0],) for own in found.values()]
    return [frame for pair in ends for frame in pair]


def camera_of(told: Sequence[tuple[Frame, Matrix]], parity: int | None) -> Camera:
    """Bring the matrices of some frames to their references; none where they contradict."""
    found: dict[str, list[Floats]] = {}
    for frame, matrix in told:
        own = np.array(matrix) @ turned(frame.placement.rotation_deg or 0.0)
        if frame.placement.matched_to is not None and np.linalg.det(own) != 0:
            found.setdefault(frame.placement.matched_to, []).append(own)
    every = [own for several in found.values() for own in several]
    if any(np.linalg.det(own) * (parity or 0) > 0 for own in every):
        return Camera({}, OTHER_SENSE)
    alike = {key: several[0] for key, several in found.items() if _alike(several)}
    return Camera(alike, NO_WORLD if len(alike) == len(found) else NOT_ALIKE)


def turned(angle_deg: float) -> Floats:
    """Give the matrix that turns from +x to +y."""
    angle = np.radians(angle_deg)
    return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])


def _alike(matrices: Sequence[Floats]) -> bool:
    first = matrices[0]
    senses = {bool(np.linalg.det(own) > 0) for own in matrices}
    apart = [abs((_angle(own) - _angle(first) + 180) % 360 - 180) for own in matrices]
    return len(senses) == 1 and max(apart) <= AGREE_DEG


def _angle(matrix: Floats) -> float:
    """Give the position angle of the image's y axis, degrees."""
    return degrees(atan2(matrix[0, 1], matrix[1, 1]))
