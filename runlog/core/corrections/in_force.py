"""What a person says about targets and frames beside the headers, and what of it is in force.

Everything is appended; a line that undoes another takes it out of force, one that undoes the
undoing brings it back.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from runlog.core.targets.sequence_words import split_panel, with_panel


def in_force(lines: Iterable[tuple[int, int | None]]) -> frozenset[int]:
    """Choose the lines in force from (number, number it undoes), numbers rising with time.

    Undoings are lines as well: one in force takes what it undoes out of force.
    """
    undone: set[int] = set()
    standing: list[int] = []
    ordered = sorted(lines, key=lambda line: line[0], reverse=True)  # later lines speak first
    for number, undoes in ordered:
        if number in undone:
            continue
        standing.append(number)
        if undoes is not None:
            undone.add(undoes)
    return frozenset(standing)


@dataclass(frozen=True, slots=True)
class TargetChanges:
    """Names a person merged, renamed or kept apart.

    `same`: a target's name -> the name it goes by. `apart`: a spelling in headers (`spelling_key`)
    -> the target it is, whatever the rules say.
    """

    same: Mapping[str, str] = field(default_factory=dict)
    apart: Mapping[str, str] = field(default_factory=dict)

    def final(self, name: str) -> str:
        """Follow merges and renames; a mosaic's panels follow the mosaic."""
        seen = {name}
        while (onward := self._step(name)) is not None and onward not in seen:
            seen.add(onward)
            name = onward
        return name

    def _step(self, name: str) -> str | None:
        if name in self.same:
            return self.same[name]
        base, panel = split_panel(name)
        if panel is None or base not in self.same:
            return None
        return with_panel(self.same[base], panel)


@dataclass(frozen=True, slots=True)
class Said:
    """What a person said that bears on one frame: corrections (field -> value), target names."""

    corrections: Mapping[str, str] = field(default_factory=dict)
    changes: TargetChanges = field(default_factory=TargetChanges)


NOTHING_SAID = Said()


def spelling_key(raw: str | None) -> str:
    """Reduce a header's spelling to its letters as they stand, blanks and underscores aside."""
    return " ".join((raw or "").replace("_", " ").split())
