"""The numbers asked of the grading, as tables."""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from .graded import Graded, GradedLight, Result
from .idle import idle_spans
from .labels import (
    STRICT,
    YARDSTICKS,
    Limits,
    Span,
    Yardstick,
    accepted_first,
    allowed_events,
    cause_of,
    scored_events,
    status,
)
from .nights import NightTruth

GOOD_KINDS = ("clean", "clean and flip")
LONE_KINDS = ("run of one", "run of two")
POOR, WANDER, THIRDS = "poor night", "wandering seeing", "two thirds bad"
SUDDEN = ("refocus", "flip", "jump", "pause", "moonrise", "moonset")
ASKED_EVENTS = (
    "cloud", "focus-drift", "trailing", "flip", "jump", "pause", "stopped", "late-start",
)  # fmt: skip
NEAR = 1  # frames between a true event and what may still be meant for it
NOTHING = "-"


@dataclass(frozen=True, slots=True)
class Line:
    """One number: what, how many frames, shares, what is asked."""

    what: str
    count: int
    caught: float | None = None  # share not graded keep, or the line's one share
    right: float | None = None  # share with the right first fault
    asked: str = ""
    passed: bool | None = None

    def __str__(self) -> str:
        shares = "".join(
            f"{100 * share:9.1f} %" if share is not None else " " * 11
            for share in (self.caught, self.right)
        )
        word = {True: "pass", False: "FALLS SHORT", None: ""}[self.passed]
        return f"{self.what:44s} {self.count:5d} {shares}   {self.asked:16s} {word}".rstrip()


def share(hits: Iterable[bool]) -> float:
    """Give the share of hits; none at all counts as none missed."""
    values = list(hits)
    return sum(values) / len(values) if values else 1.0


def scored(frames: Sequence[Graded]) -> list[Graded]:
    """Leave out runs too short to compare and nights that are poor throughout."""
    return [g for g in frames if g.night.kind not in (*LONE_KINDS, POOR)]


def of_cause(frames: Sequence[Graded], cause: str, levels: Sequence[str]) -> list[Graded]:
    """Pick the frames that are judged for one cause at some levels."""
    return [
        g
        for g in frames
        if status(g.label) in levels and (y := cause_of(g.label)) is not None and y.cause == cause
    ]


def right_first(graded: Graded) -> bool:
    """Tell whether the first fault given is one that is true."""
    return graded.first in accepted_first(graded.label)


# --- faults ---------------------------------------------------------------------------------


def fault_lines(frames: Sequence[Graded]) -> list[Line]:
    """Say per cause and strength what was caught and called by its name."""
    return [line for yard in YARDSTICKS if yard.bins for line in _cause_lines(scored(frames), yard)]


def _cause_lines(frames: Sequence[Graded], yard: Yardstick) -> list[Line]:
    all_levels = of_cause(frames, yard.cause, ("slight", "edge", "must"))
    lines = []
    if len(yard.bins) > 1:
        for start in yard.bins:
            members = [g for g in all_levels if yard.bin(g.label) == start]
            lines.append(_bin_line(yard, start, members))
    must = [g for g in all_levels if yard.reaches(g.label, yard.must)]
    if not must:
        return lines
    caught, right = share(not g.kept for g in must), share(right_first(g) for g in must)
    asked, passed = "", None
    if yard.cause in STRICT:
        asked, passed = "99 %, 95 %", caught >= 0.99 and right >= 0.95
    return [*lines, Line(f"{yard.cause}: all that must not be kept", len(must), caught, right,
                         asked, passed)]  # fmt: skip


def _bin_line(yard: Yardstick, start: float, members: Sequence[Graded]) -> Line:
    edge = yard.reaches_value(start, yard.edge) and not yard.reaches_value(start, yard.must)
    sign = "from" if yard.more_is_worse else "to"
    word = " (edge)" if edge else "" if yard.reaches_value(start, yard.edge) else " (slight)"
    if not members:
        return Line(f"  {yard.cause} {sign} {start:.2f}{word}", 0)
    right = [g.first == yard.fault or (edge and right_first(g)) or right_first(g) for g in members]
    return Line(
        f"  {yard.cause} {sign} {start:.2f}{word}", len(members),
        share(not g.kept for g in members), share(right),
    )  # fmt: skip


# --- clean frames and whole nights ----------------------------------------------------------


def night_lines(frames: Sequence[Graded]) -> list[Line]:
    """Say what became of clean frames and of whole nights."""
    clean = [g for g in scored(frames) if status(g.label) == "clean"]
    kept = share(g.kept for g in clean)
    lines = [Line("clean frames graded keep", len(clean), kept, None, "98 %", kept >= 0.98)]
    for night, members in by_night(frames):
        lines += _night_lines(night, members)
    return lines


def by_night(frames: Sequence[Graded]) -> list[tuple[NightTruth, list[Graded]]]:
    """Group frames by night, in order of time."""
    groups: dict[str, list[Graded]] = {}
    for graded in frames:
        groups.setdefault(graded.night.name, []).append(graded)
    return [(members[0].night, members) for members in groups.values()]


def _graded_as(members: Sequence[Graded], grade: str) -> float:
    return share(g.row["grade"] == grade for g in members)


def _night_lines(night: NightTruth, members: Sequence[Graded]) -> list[Line]:
    name = f"{night.kind} ({night.name})"
    if night.kind in GOOD_KINDS:
        doubtful = _graded_as(members, "doubtful")
        return [Line(f"{name}: doubtful", len(members), doubtful, None, "under 5 %",
                     doubtful < 0.05)]  # fmt: skip
    if night.kind == WANDER:
        rejected, doubtful = _graded_as(members, "reject"), _graded_as(members, "doubtful")
        return [
            Line(f"{name}: reject", len(members), rejected, None, "under 2 %", rejected < 0.02),
            Line(f"{name}: doubtful", len(members), doubtful),
        ]
    if night.kind == POOR:
        kept = share(g.kept for g in members)
        return [Line(f"{name}: keep", len(members), kept, None, "not all", kept < 0.999)]
    if night.kind == THIRDS:
        return _thirds_lines(name, members)
    if night.kind in LONE_KINDS:
        grades = ", ".join(g.row["grade"] for g in members)
        fine = all(g.row["grade"] in ("keep", "ungraded") for g in members)
        return [Line(f"{name}: {grades}", len(members), None, None, "keep or ungraded", fine)]
    return []


def _thirds_lines(name: str, members: Sequence[Graded]) -> list[Line]:
    third = members[2 * len(members) // 3 :]
    good = [g for g in third if status(g.label) == "clean"]
    bad = [g for g in members if status(g.label) == "must"]
    kept, caught = share(g.kept for g in good), share(not g.kept for g in bad)
    return [
        Line(f"{name}: good third keep", len(good), kept, None, "98 %", kept >= 0.98),
        Line(f"{name}: bad part not keep", len(bad), caught, None, "99 %", caught >= 0.99),
    ]


# --- events ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Matched:
    """A true event and what was told of it; None where nothing was."""

    night: str
    true: Span
    told: GradedLight | None

    @property
    def start_off(self) -> int:
        """Give by how many frames the start is wrong."""
        assert self.told is not None
        if self.true.kind in SUDDEN:
            return _apart(self.true, self.told.span)
        return self.told.span.first - self.true.first

    @property
    def end_off(self) -> int:
        """Give by how many frames the end is wrong."""
        assert self.told is not None
        if self.true.kind in SUDDEN:
            return _apart(self.true, self.told.span)
        return self.told.span.last - self.true.last

    @property
    def within_one(self) -> bool:
        """Tell whether start and end are right within one frame."""
        return self.told is not None and abs(self.start_off) <= 1 and abs(self.end_off) <= 1


def _apart(one: Span, other: Span) -> int:
    """Give the frames between two spans, 0 when they touch."""
    return max(0, other.first - one.last, one.first - other.last)


def match_events(
    night: NightTruth, told: Sequence[GradedLight], limits: Limits
) -> tuple[list[Matched], list[GradedLight]]:
    """Pair true events with told ones of the same kind; also give those told without reason."""
    true = scored_events(night.frames, limits, dithered=night.dithered) + idle_spans(night)
    near = [
        (_difference(one, other.span), n, m)
        for n, one in enumerate(true)
        for m, other in enumerate(told)
        if one.kind == other.span.kind and _apart(one, other.span) <= NEAR
    ]
    pairs: dict[int, int] = {}
    for _, n, m in sorted(near):
        if n not in pairs and m not in pairs.values():
            pairs[n] = m
    matched = [
        Matched(night.name, one, told[pairs[n]] if n in pairs else None)
        for n, one in enumerate(true)
    ]
    allowed = allowed_events(night.frames, limits) + idle_spans(night, allowed=True)
    free = [t for m, t in enumerate(told) if m not in pairs.values()]
    return matched, [t for t in free if not any(_same(t.span, span) for span in allowed)]


def _same(told: Span, allowed: Span) -> bool:
    return told.kind == allowed.kind and _apart(told, allowed) == 0


def _difference(true: Span, told: Span) -> int:
    return abs(true.first - told.first) + abs(true.last - told.last)


def event_lines(
    result: Result, nights: Sequence[NightTruth], limits: Limits
) -> tuple[list[str], list[str]]:
    """Give the table of events, and the single misses for a list."""
    pairs: list[Matched] = []
    extra: list[tuple[str, GradedLight]] = []
    for night in nights:
        found, unmatched = match_events(night, result.events[night.name], limits)
        pairs += found
        extra += [(night.name, told) for told in unmatched]
    kinds = list(dict.fromkeys([*ASKED_EVENTS, *(p.true.kind for p in pairs),
                                *(t.span.kind for _, t in extra)]))  # fmt: skip
    head = f"{'event':14s} {'true':>5s} {'found':>6s} {'within 1':>9s} {'worst start':>12s}"
    lines = [
        head + f" {'worst end':>10s} {'too many':>9s}",
        *(_event_line(k, pairs, [t for _, t in extra if t.span.kind == k]) for k in kinds),
    ]
    return lines, [*map(_say_pair, (p for p in pairs if not p.within_one)),
                   *(f"{n}: told without reason: {_say(t)}" for n, t in extra)]  # fmt: skip


def _event_line(kind: str, pairs: Sequence[Matched], extra: Sequence[GradedLight]) -> str:
    true = [p for p in pairs if p.true.kind == kind]
    found = [p for p in true if p.told is not None]
    starts = max((abs(p.start_off) for p in found), default=0)
    ends = max((abs(p.end_off) for p in found), default=0)
    good = sum(p.within_one for p in true)
    word = ""
    if kind in ASKED_EVENTS:
        word = "pass" if good == len(true) else "FALLS SHORT"
    line = f"{kind:14s} {len(true):5d} {len(found):6d} {good:9d} {starts:12d} {ends:10d}"
    return f"{line} {len(extra):9d}   {word}".rstrip()


def _say_pair(pair: Matched) -> str:
    true = f"{pair.night}: {pair.true.kind} {pair.true.first}-{pair.true.last}"
    return f"{true}: {'missed' if pair.told is None else 'told as ' + _say(pair.told)}"


def _say(told: GradedLight) -> str:
    return f"{told.span.kind} {told.span.first}-{told.span.last} ({told.text})"


# --- confusion and lists --------------------------------------------------------------------


def true_class(graded: Graded) -> str:
    """Name what a frame is: clean, a slight or edge case of a cause, or the cause."""
    level, yard = status(graded.label), cause_of(graded.label)
    if yard is None or level == "clean":
        return "clean"
    return yard.cause if level == "must" else f"{yard.cause} ({level})"


def confusion_lines(frames: Sequence[Graded]) -> list[str]:
    """Lay true causes against the first fault given; keep-graded frames count as none."""
    counts = Counter((true_class(g), g.first or NOTHING) for g in frames)
    columns = [NOTHING, *sorted({given for _, given in counts} - {NOTHING})]
    order: list[str] = ["clean"]
    for yard in YARDSTICKS:
        order += [yard.cause, f"{yard.cause} (edge)", f"{yard.cause} (slight)"]
    rows = [name for name in order if any(true == name for true, _ in counts)]
    lines = [f"{'true, by first fault given':24s}" + "".join(f"{c[:10]:>11s}" for c in columns)]
    for name in rows:
        cells = "".join(f"{counts[name, c] or '':>11}" for c in columns)
        lines.append(f"{name:24s}{cells}")
    return lines


def wrong(graded: Graded) -> bool:
    """Tell whether a frame counts against the grading."""
    level = status(graded.label)
    if level == "clean":
        return not graded.kept and graded.night.kind not in LONE_KINDS
    return level == "must" and (graded.kept or not right_first(graded))


def strengths(graded: Graded) -> str:
    """Say in short what is true of a frame."""
    label = graded.label
    parts: list[tuple[bool, str]] = [
        (label.trail_fwhm > 0, f"trail {label.trail_fwhm:.2f}"),
        (label.defocus > 1.03, f"defocus {label.defocus:.2f}"),
        (label.transparency < 0.98, f"T {label.transparency:.2f}"),
        (label.sky_ratio > 1.1, f"sky {label.sky_ratio:.2f} {label.sky_from}"),
        (label.double_fwhm > 0, f"doubled {label.double_fwhm:.1f}"),
        (label.covered > 0, f"covered {label.covered:.2f}"),
        (label.dew_light < 1, f"dew {label.dew_light:.2f}"),
        (label.off_field > 0, f"off {label.off_field:.2f}"),
        (label.wrong_field, "wrong field"),
        (label.cap, "cap"),
        (bool(label.glitch), label.glitch),
        (bool(label.streaks), "streak"),
        (True, f"seeing {label.night_ratio:.2f}"),
    ]
    return ", ".join(text for present, text in parts if present)


def frame_line(graded: Graded, show: Callable[[Graded], str] = strengths) -> str:
    """Say one frame in a line: truth, measured, what was said."""
    row = graded.row
    numbers = " ".join(
        f"{name} {row[key]:.2f}" if row[key] is not None else f"{name} -"
        for name, key in (("fwhm", "fwhm_px"), ("e", "eccentricity"), ("T", "transparency"))
    )
    return (
        f"{graded.night.name:11s}{graded.label.number:3d} {graded.label.filter:2s} "
        f"({show(graded)}; X {graded.label.airmass:.2f}; clean {graded.label.clean_px:.2f} px) "
        f"stars {row['stars']} {numbers} -> {graded.said}"
    )
