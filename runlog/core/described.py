"""What a field of a frame carries besides its type: how it is shown, in which column it lies."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

SHOWN, KEPT = "shown", "kept"  # keys of a field's metadata


@dataclass(frozen=True, slots=True)
class Shown:
    """How a value is named and written for people."""

    label: str
    unit: str = ""
    form: str = "{}"

    @property
    def heading(self) -> str:
        """Label with its unit, where the value does not carry it."""
        return (
            self.label if not self.unit or self.unit in self.form else f"{self.label} {self.unit}"
        )


@dataclass(frozen=True, slots=True)
class Kept:
    """The column a value lies in; None where it is not kept. A list may be null when empty."""

    column: str | None
    null: bool = False


def shown(label: str, unit: str = "", form: str = "{}") -> dict[str, Shown]:
    """Say how a field's value is shown."""
    return {SHOWN: Shown(label, unit, form)}


def kept(column: str | None, *, null: bool = False) -> dict[str, Kept]:
    """Say where a field's value is kept, where that is not a column of its name."""
    return {KEPT: Kept(column, null)}


def kept_in(name: str, metadata: Mapping[str, Any]) -> Kept:
    """Tell in which column a field's value is kept: one of its name, if nothing else is said."""
    return metadata.get(KEPT) or Kept(name)
