"""Goals that several rigs serve in one night, in words."""

from collections.abc import Iterator, Sequence

from runlog.core.columns import hours, share
from runlog.core.plan.night import Block, NightPlan


def shared_words(plan: NightPlan, block: Block) -> Iterator[str]:
    """Say which other rigs serve a block's goals, and what all of them give each together."""
    for number in block.action.serves:
        wanted = plan.wanted[number]
        shared = plan.shared.get(wanted.key)
        if shared is not None:
            name = "" if wanted.filter == block.action.filter else f"{wanted.filter}: "
            yield f"{name}{listed(shared.rigs)} too, {hours(shared.together_s)} together"


def best_words(plan: NightPlan) -> str:
    """Say how near a plan comes to the best; nothing where there is nothing to gain."""
    if plan.share is None:
        return ""
    whose = " its own goals" if plan.puts_guests_behind else ""
    return f"{share(plan.share)} of the best any order could give{whose}"


def counted_words(rig: str, others: Sequence[str]) -> str:
    """Say that what is told of nights to come counts one rig, where others may take part."""
    return f"counted with {rig} alone, though {listed(others)} may serve it too" if others else ""


def listed(names: Sequence[str]) -> str:
    """Write names as a sentence does: "Owl, Tern and Wren"."""
    *before, last = names
    return f"{', '.join(before)} and {last}" if before else last
