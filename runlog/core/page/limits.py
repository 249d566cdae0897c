"""Where the limits in force lie on a night's charts: in the chart's own unit, frame by frame."""

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit over the night; None where it was not asked of a frame."""

    measure: str  # as the chart's panel
    says: str
    values: tuple[float | None, ...]  # one a dated frame

    def as_row(self) -> dict[str, Any]:
        """Write it with its published keys."""
        return {"says": self.says, "values": list(self.values)}
