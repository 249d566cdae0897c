"""The parts of the rig's place as lines to choose from: what the commands say, line by line."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from runlog.actions.alignment import alignments
from runlog.actions.focus import Drawn, FocusTold, Row, focus
from runlog.actions.notes import Note, notes_book
from runlog.actions.open import Database
from runlog.actions.trends import trends
from runlog.config import Settings
from runlog.core.alignment import words as axis_words
from runlog.core.alignment.chart import axis_chart
from runlog.core.alignment.night import Alignment
from runlog.core.charts import Plot
from runlog.core.columns import NOTHING
from runlog.core.focus import words as focus_words
from runlog.core.focus.chart import sweep_chart
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.times import Zone, clock, times_in, zone_label
from runlog.core.trends.chart import trend_chart
from runlog.core.trends.series import Noted, Trend, Trending, fullest, name_of, usual
from runlog.core.trends.sparkline import sparkline
from runlog.core.trends.words import amount

SPARKS = 12  # cells
NO_SWEEP = ("No focus sweep is stored: it takes focus frames whose headers tell where the focuser "
            "stood.")  # fmt: skip
NO_NIGHT = "No light frame is stored."
NO_SERIES = "No dated night is stored yet."
NO_NOTE = "Nothing is noted of any rig. n notes what was changed, as in: collimated"


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a part, and what is said and drawn of it."""

    cells: tuple[str, ...]
    told: tuple[str, ...]
    rig: str = ""
    night: str = ""  # that it is about; empty where it is of all nights
    chart: Plot | None = None
    speaks: bool = True  # else it says why something is unknown


@dataclass(frozen=True, slots=True)
class Part:
    """One of the parts of the rig's place."""

    name: str
    heads: tuple[str, ...]
    load: Callable[[Database, Settings, Zone, Selection], list[Entry]]
    none: str  # what is said where there is no line
    drop: tuple[int, ...] = ()  # columns that give way where room is short, the first first
    by_season: bool = False  # its lines may be those of one season


# --- focus sweeps ---------------------------------------------------------------------------


def sweeps(
    engine: Database, settings: Settings, zone: Zone, chosen: Selection = EVERYTHING
) -> list[Entry]:
    """List what the chosen sweeps of a rig tell together, then each of them, newest first."""
    every = "all sweeps" if chosen.since is None else "this season"
    with times_in(zone):
        told = focus(engine, settings, chosen)
        rigs = dict.fromkeys(row["rig"] for row in told.rows)
        return [entry for rig in rigs for entry in _sweeps_of(rig, told, every)]


def _sweeps_of(rig: str, told: FocusTold, every: str) -> Iterator[Entry]:
    others = [row for row in told.others if row["rig"] == rig]
    advice = next((row for row in others if row["kind"] == "advice"), None)
    yield Entry(
        (every, "", "", "", _advised(advice)),
        tuple(map(focus_words.sentence, others)),
        rig,
        speaks=bool(advice and advice["refocus_each_c"]),
    )
    own = [drawn for drawn in told.sweeps if drawn.row["rig"] == rig]
    yield from map(_sweep, sorted(own, key=lambda d: d.row["at_utc"], reverse=True))


def _advised(advice: Row | None) -> str:
    if advice is None or advice["refocus_each_c"] is None:
        return "refocus: unknown"
    return f"refocus every {advice['refocus_each_c']:.1f} C"


def _sweep(drawn: Drawn) -> Entry:
    row = drawn.row
    warm, began = row["temperature_c"], row["at_utc"]
    best = row["best_pos"]
    found = "unknown" if best is None else f"{best:.0f} +- {row['best_pos_err']:.0f}"
    return Entry(
        (row["night"], f"{clock(began)}{zone_label(began)}", row["filter"],
         NOTHING if warm is None else f"{warm:.1f} C", found),
        (f"{focus_words.heading(row)}.", focus_words.sentence(row)),
        row["rig"],
        row["night"],
        sweep_chart(drawn.result, drawn.frames),
        best is not None,
    )  # fmt: skip


# --- the polar axis -------------------------------------------------------------------------


def polar_axis(
    engine: Database, settings: Settings, _zone: Zone, chosen: Selection = EVERYTHING
) -> list[Entry]:
    """List the nights, newest first."""
    found = [_axis(row, told) for row, told in alignments(engine, settings, chosen)]
    by_night = sorted(found, key=lambda entry: entry.night, reverse=True)
    return sorted(by_night, key=lambda entry: entry.rig)


def _axis(row: Row, told: Alignment) -> Entry:
    trail = row["trail_px"]
    return Entry(
        (row["night"], _off(row), NOTHING if trail is None else f"{trail:.2f} px", row["verdict"]),
        (f"{axis_words.heading(row)}.", *axis_words.sentences(row)),
        row["rig"],
        row["night"],
        axis_chart(told),
        not row["reason"],
    )


def _off(row: Row) -> str:
    if row["reason"]:
        return "unknown"
    if row["below_floor"]:
        return "within 0.5'"
    return f"{row['size_arcmin']:.1f}' +- {row['size_err']:.1f}'"


# --- series over months ---------------------------------------------------------------------


def months(
    engine: Database, _settings: Settings, _zone: Zone, chosen: Selection = EVERYTHING
) -> list[Entry]:
    """List what moved, what is steady, and of each kind why nothing can be said of it."""
    found, noted = trends(engine, chosen), _noted(notes_book(engine))
    entries = []
    for rig in dict.fromkeys(trend.series.rig for trend in found):
        own = [trend for trend in found if trend.series.rig == rig]
        judged = [trend for trend in own if trend.slope is not None]
        judged.sort(key=lambda trend: trend.verdict is Trending.STEADY)
        silent = fullest(trend for trend in own if trend.slope is None)
        entries += [_series(trend, noted.get(rig, [])) for trend in (*judged, *silent)]
    return entries


def _noted(book: Sequence[Note]) -> dict[str, list[Noted]]:
    found: dict[str, list[Noted]] = {}
    for note in book:
        if note.speaks:
            found.setdefault(note.rig, []).append(Noted(note.night, note.text))
    return found


def _series(trend: Trend, notes: Sequence[Noted]) -> Entry:
    series, middle = trend.series, usual(trend.series)
    known = trend.slope is not None
    return Entry(
        (
            series.kind.label,
            series.filter,
            sparkline([(p.night, p.value) for p in series.points], SPARKS),
            NOTHING if middle is None else amount(series, middle, signed=False),
            NOTHING if trend.slope is None else amount(series, trend.slope.middle),
            trend.verdict.value if known else "unknown",
        ),
        (f"{name_of(trend)}: {trend.reason}.",),
        series.rig,
        chart=trend_chart(trend, notes),
        speaks=known,
    )


# --- what was changed -----------------------------------------------------------------------


def changes(
    engine: Database, _settings: Settings, _zone: Zone, chosen: Selection = EVERYTHING
) -> list[Entry]:
    """List what was noted of the rigs, newest first; what was taken back is not forgotten."""
    notes = [note for note in notes_book(engine) if note.undoes is None and _is_of(note, chosen)]
    return [_note(note) for note in sorted(notes, key=lambda n: (n.night, n.id), reverse=True)]


def _is_of(note: Note, chosen: Selection) -> bool:
    return chosen.rigs is None or note.rig in chosen.rigs


def _note(note: Note) -> Entry:
    told = [f"Noted by {note.who} for the night of {note.night}."]
    if not note.stands:
        told.append("It was taken back.")
    elif note.changed:
        told.append("From then on the rig's nights are compared among themselves.")
    else:
        told.append("A remark: nights are compared as before.")
    what = "change" if note.changed else "remark"
    return Entry(
        (note.night, what if note.stands else "taken back", note.text),
        tuple(told),
        note.rig,
        note.night,
        speaks=note.stands,
    )


PARTS = (
    Part("sweeps", ("night", "began", "filter", "", "best position"), sweeps, NO_SWEEP, (3, 1),
         by_season=True),
    Part("polar axis", ("night", "off the pole", "corner trail", "verdict"), polar_axis, NO_NIGHT,
         (2,), by_season=True),
    Part("months", ("series", "filter", "course", "usual", "a year", "verdict"), months,
         NO_SERIES, (4, 2, 3, 1)),
    Part("changes", ("night", "", "what"), changes, NO_NOTE),
)  # fmt: skip
