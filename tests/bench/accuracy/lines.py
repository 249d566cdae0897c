"""One line of the table, and what several sections ask of drawn fields."""

from dataclasses import dataclass

import numpy as np

from tests.measure.fields import DrawnField


@dataclass(frozen=True)
class Line:
    """One number of the table: what was asked, what came out."""

    what: str
    value: str
    asked: str
    passed: bool

    def __str__(self) -> str:
        verdict = "pass" if self.passed else "FALLS SHORT"
        return f"{self.what:58s} {self.value:>20s}   {self.asked:22s} {verdict}"


def share_within(sigmas: list[float]) -> float:
    return float(np.mean(np.abs(np.array(sigmas, float)) <= 1))


def inside_of(drawn: DrawnField, margin: float) -> np.ndarray:
    height, width = drawn.pixels.shape
    return np.asarray(
        (drawn.x > margin) & (drawn.x < width - margin)
        & (drawn.y > margin) & (drawn.y < height - margin)
    )  # fmt: skip
