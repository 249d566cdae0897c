"""The numbers asked of nights that are wrong from end to end, and of clean first nights."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from .labels import FrameLabel, present
from .tables import share
from .whole_cases import AFTER, ALONE, BEFORE, SINGLE
from .whole_read import Night, Seen

MUST_E = 0.45  # elongation that physics alone may call a trail
MUST_DEFOCUS = 2.4  # times as wide: discs that nothing else makes; about three widths of blur
NAMES = {"defocus": ("defocused",), "trail": ("trailed",), "haze": ("cloud", "dew")}
PARTS = {"defocus": "focus", "trail": "tracking", "haze": "sky"}

IsRight = Callable[[Seen], bool]
WhatIsWrong = Callable[[Night], str]  # "" where nothing is


@dataclass(frozen=True, slots=True)
class Bar:
    """One number: what, of how many, the share, what is asked, and what missed it."""

    what: str
    count: int
    value: float | None
    asked: float | None = None  # the least share; None where the number is only told
    misses: tuple[str, ...] = ()

    @property
    def word(self) -> str:
        """Say whether it was reached."""
        if self.asked is None or self.value is None or not self.count:
            return "" if self.count else "nothing to judge"
        return "pass" if self.value >= self.asked - 1e-12 else "FALLS SHORT"

    def __str__(self) -> str:
        value = f"{100 * self.value:7.1f} %" if self.value is not None and self.count else " " * 9
        asked = f"{100 * self.asked:5.0f} %" if self.asked is not None else " " * 7
        return f"{self.what:66s}{self.count:6d} {value}  {asked}  {self.word}".rstrip()


def frame_bar(
    what: str, frames: Iterable[tuple[Night, Seen]], *, ok: IsRight, asked: float | None = None
) -> Bar:
    """Make a bar of single frames; `ok` is asked of each."""
    pairs = list(frames)
    hits = [ok(seen) for _, seen in pairs]
    misses = tuple(say_frame(*pair) for pair, hit in zip(pairs, hits, strict=True) if not hit)
    return Bar(what, len(pairs), share(hits), asked, misses)


def night_bar(what: str, nights: Sequence[Night], asked: float | None, ok: WhatIsWrong) -> Bar:
    """Make a bar of whole nights; `ok` says what is wrong with one."""
    wrong = [(night, ok(night)) for night in nights]
    misses = tuple(f"{night.case.name} {night.truth.name}: {why}" for night, why in wrong if why)
    return Bar(what, len(nights), share(not why for _, why in wrong), asked, misses)


def say_frame(night: Night, seen: Seen) -> str:
    """Say one frame in a line: truth, measured, what was said."""
    label, row = seen.label, seen.row
    numbers = " ".join(
        f"{name} {row[key]:.2f}" if row[key] is not None else f"{name} -"
        for name, key in (("fwhm", "fwhm_px"), ("e", "eccentricity"), ("hfr", "hfr_px"),
                          ("T", "transparency"))
    )  # fmt: skip
    return (
        f"{night.case.name} {night.truth.name} {label.number} {label.filter} ({_strengths(label)}) "
        f"stars {row['stars']} {numbers} -> {seen.said}"
    )


def _strengths(label: FrameLabel) -> str:
    parts = [
        (label.trail_fwhm > 0, f"e {label.eccentricity:.2f}"),
        (label.defocus > 1.03, f"defocus {label.defocus:.2f}"),
        (label.transparency < 0.98, f"light {label.transparency:.2f}"),
        (label.covered > 0, f"covered {label.covered:.2f}"),
        (label.dew_light < 1, f"dew {label.dew_light:.2f}"),
        (label.plateau < 1, f"plateau {label.plateau:.2f}"),
        (label.turned_deg != 0, f"turned {label.turned_deg:.1f}"),
        (True, f"clean {label.clean_px:.2f} px, seeing {label.night_ratio:.2f}"),
    ]
    return ", ".join(text for there, text in parts if there)


def is_clean(label: FrameLabel) -> bool:
    """Tell whether nothing is wrong with a frame that is a rig's, a mount's or a sky's fault."""
    causes = {yard.cause for yard in present(label, "clean")} - {"poor night"}
    return not causes and label.plateau == 1.0


def of(nights: Iterable[Night], *standings: str, kinds: Sequence[str] = ()) -> list[Night]:
    """Pick the judged nights of some standings whose kinds begin with some words."""
    return [
        night
        for night in nights
        if night.case.standing in standings
        and night.judged
        and (not kinds or night.kind.startswith(tuple(kinds)))
    ]


def frames_of(nights: Iterable[Night]) -> list[tuple[Night, Seen]]:
    """List the frames of some nights with their nights."""
    return [(night, seen) for night in nights for seen in night.frames]


def must(night: Night, label: FrameLabel, *, with_history: bool) -> bool:
    """Tell whether a frame of a night that is bad throughout must not be kept."""
    cause = night.kind.split("-")[0]
    if cause == "trail":
        return label.eccentricity >= MUST_E
    return with_history or (cause == "defocus" and label.defocus >= MUST_DEFOCUS)


# --- bad throughout --------------------------------------------------------------------------


def throughout_bars(nights: Sequence[Night]) -> list[Bar]:
    """Judge the nights that are bad from end to end."""
    return [*_after(nights), *_before(nights), *_alone(nights), *_beside(nights)]


def _bad(nights: Sequence[Night], standing: str, cause: str, *, history: bool) -> list[
    tuple[Night, Seen]
]:  # fmt: skip
    return [
        (night, seen)
        for night, seen in frames_of(of(nights, standing, kinds=(cause,)))
        if must(night, seen.label, with_history=history)
    ]


def _after(nights: Sequence[Night]) -> list[Bar]:
    bars = []
    for cause, names in NAMES.items():
        bad = _bad(nights, AFTER, cause, history=True)
        bars += [
            frame_bar(f"{cause}, two good nights before: not kept, called {' or '.join(names)}",
                      bad, asked=0.95, ok=lambda s, n=names: not s.kept and s.first in n),
            frame_bar("  of these not kept", bad, ok=lambda s: not s.kept),
            _not_good(nights, AFTER, cause),
        ]  # fmt: skip
    return bars


def _before(nights: Sequence[Night]) -> list[Bar]:
    bars = []
    for cause in NAMES:
        bad = _bad(nights, BEFORE, cause, history=True)
        bars += [
            frame_bar(f"{cause}, two good nights after: not kept", bad, asked=0.95,
                      ok=lambda s: not s.kept),
            _not_good(nights, BEFORE, cause),
        ]  # fmt: skip
    later = [*_bad(nights, BEFORE, "haze", history=True),
             *frames_of(of(nights, BEFORE, kinds=("defocus-1.6",)))]  # fmt: skip
    bars.append(frame_bar("known by later nights alone (haze, 1.6 times as wide): never reject",
                          later, asked=1.0, ok=lambda s: s.grade != "reject"))  # fmt: skip
    return bars


def _alone(nights: Sequence[Night]) -> list[Bar]:
    bars = []
    for cause in ("defocus", "trail"):
        bad = _bad(nights, ALONE, cause, history=False)
        bars += [
            frame_bar(f"{cause}, alone: not kept", bad, asked=0.95, ok=lambda s: not s.kept),
            frame_bar("  of these by its name", bad, ok=lambda s, n=NAMES[cause]: s.first in n),
            _not_good(nights, ALONE, cause),
        ]
    twice = frames_of(of(nights, ALONE, kinds=("defocus-2.0",)))
    return [
        *bars,
        frame_bar("twice as wide, alone: not kept", twice, ok=lambda s: not s.kept),
        night_bar("haze, alone: sky unknown", of(nights, ALONE, kinds=("haze",)), 1.0,
                  lambda n: "" if n.opinion("sky") == "unknown" else _verdict(n, "sky")),
        night_bar("1.6 times as wide, alone: focus unknown (or not good)",
                  of(nights, ALONE, kinds=("defocus-1.6",)), 1.0,
                  lambda n: "" if n.opinion("focus") != "good" else _verdict(n, "focus")),
    ]  # fmt: skip


def _not_good(nights: Sequence[Night], standing: str, cause: str) -> Bar:
    part = PARTS[cause]
    chosen = [
        night
        for night in of(nights, standing, kinds=(cause,))
        if any(must(night, s.label, with_history=standing != ALONE) for s in night.frames)
    ]
    return night_bar(f"  nights whose {part} is not called good", chosen, 1.0,
                     lambda n: _verdict(n, part) if n.opinion(part) == "good" else "")  # fmt: skip


def _verdict(night: Night, part: str) -> str:
    found = night.verdicts.get(part, {})
    return f"{part} {found.get('verdict')}: {found.get('evidence')}"


def _beside(nights: Sequence[Night]) -> list[Bar]:
    """A bad night must not spoil the good ones."""
    good = [n for n in nights if n.case.standing in (AFTER, BEFORE) and not n.judged]
    clean = [(n, s) for n, s in frames_of(good) if is_clean(s.label)]
    return [frame_bar("good nights before or after a bad one: clean frames kept", clean,
                      asked=0.98, ok=lambda s: s.kept)]  # fmt: skip


# --- clean first nights ----------------------------------------------------------------------


def clean_bars(nights: Sequence[Night]) -> list[Bar]:
    """Judge the clean first nights."""
    clean = of(nights, SINGLE, kinds=("clean",))
    frames = [(n, s) for n, s in frames_of(clean) if is_clean(s.label)]
    return [
        frame_bar("clean first nights: kept", frames, asked=0.98, ok=lambda s: s.kept),
        *(
            night_bar(f"clean first nights: {part} good", clean, 0.95 if asked else None,
                      lambda n, p=part: "" if n.opinion(p) == "good" else _verdict(n, p))
            for part, asked in (("focus", True), ("tracking", True), ("sky", False),
                                ("pointing", False), ("schedule", False), ("optics", False),
                                ("camera", False))
        ),
    ]  # fmt: skip
