"""What of the rigs and goals is in view, and the round that one key walks."""

from collections.abc import Sequence
from dataclasses import dataclass

from runlog.actions.review import Own


@dataclass(frozen=True, slots=True)
class InView:
    """All rigs, one of them, or a login's own rigs beside its own goals."""

    rig: str = ""  # none is all
    mine: bool = False

    @property
    def label(self) -> str:
        """How it is called."""
        return "my rigs, my goals" if self.mine else self.rig or "all rigs"


ALL = InView()
MINE = InView(mine=True)


def round_of(rigs: Sequence[str], own: Own) -> list[InView]:
    """List what can be in view, all rigs first; `mine` where some of the rigs are, but not all."""
    if len(rigs) < 2:
        return [ALL]
    some = 0 < len(own.rigs_among(rigs)) < len(rigs)
    return [ALL, *[MINE] * some, *map(InView, rigs)]
