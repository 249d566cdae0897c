"""Which whole nights lie together in a database, so that they are history to one another."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from .whole_scripts import SETUPS, setup_name

ALONE, AFTER, BEFORE, SINGLE, FRAME = "alone", "after-good", "before-good", "single", "one-frame"
BAD = (
    "defocus-1.6", "defocus-2.0", "defocus-2.6", "defocus-3.5",
    "trail-0.42", "trail-0.47", "trail-0.52", "trail-0.60", "haze",
)  # fmt: skip
ONE_FRAME_OF = ("clean-01", "clean-02")


@dataclass(frozen=True, slots=True)
class Case:
    """One database: its nights, those that are judged in it, and how they stand to the others."""

    name: str
    standing: str
    nights: tuple[str, ...]
    judged: tuple[str, ...]
    frames: int | None = None  # only so many files of each night


def all_cases(drawn: Iterable[str]) -> list[Case]:
    """List the cases that can be made of the nights drawn."""
    have = set(drawn)
    cases = [*_bad_cases(), *_gain_cases(), *_single_frames()]
    grouped = {night for case in _bad_cases() for night in case.nights} | {"gain-1", "gain-2"}
    cases += [Case(name, SINGLE, (name,), (name,)) for name in sorted(have - grouped)]
    return [case for case in cases if have.issuperset(case.nights)]


def _bad_cases() -> list[Case]:
    made = []
    for number in range(len(SETUPS)):
        setup = setup_name(number)
        good = [f"{setup}-good-{n}" for n in (1, 2, 3, 4)]
        for kind in BAD:
            bad = f"{setup}-{kind}"
            made += [
                Case(f"{bad}+{ALONE}", ALONE, (bad,), (bad,)),
                Case(f"{bad}+{AFTER}", AFTER, (*good[:2], bad), (bad,)),
                Case(f"{bad}+{BEFORE}", BEFORE, (bad, *good[2:]), (bad,)),
            ]
    return made


def _gain_cases() -> list[Case]:
    return [
        Case("gain-1", SINGLE, ("gain-1",), ("gain-1",)),
        Case("gain-both", SINGLE, ("gain-1", "gain-2"), ("gain-1", "gain-2")),
    ]


def _single_frames() -> list[Case]:
    return [Case(f"{name}+{FRAME}", FRAME, (name,), (name,), frames=1) for name in ONE_FRAME_OF]


def chosen(cases: Sequence[Case], parts: Sequence[str]) -> list[Case]:
    """Pick the cases whose names hold one of some words; all where none is given."""
    return [case for case in cases if not parts or any(part in case.name for part in parts)]
