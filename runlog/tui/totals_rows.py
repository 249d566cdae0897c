"""The rows of the totals: names, numbers, a bar against the goal, and one row in words."""

from collections.abc import Sequence
from dataclasses import dataclass

from rich.text import Text

from runlog.actions.goals import goal_words
from runlog.actions.standing import Standing
from runlog.core.charts import OF_OTHERS, TO_GO, goal_bar
from runlog.core.columns import NOTHING, hours, share, written
from runlog.core.ledger.goals import PLAIN_PANEL, GoalForm, gain_of_next_hour
from runlog.core.targets.sequence_words import split_panel
from runlog.tui.look import Look
from runlog.tui.text import count, fitted, safe, styled


@dataclass(frozen=True, slots=True)
class Number:
    """A column of hours, and the grade of the frames behind it; an empty grade is any."""

    key: str
    label: str
    grade: str


ALWAYS = (
    Number("kept_s", "kept", "keep"),
    Number("effective_s", "effective", "keep"),
    Number("doubtful_s", "doubtful", "doubtful"),
    Number("rejected_s", "rejected", "reject"),
    Number("logged_s", "logged", ""),
)
SOMETIMES = (
    Number("credited_s", "dual-band", "keep"),
    Number("ungraded_s", "ungraded", "ungraded"),
)
NAME_LEAST, NAME_MOST, FILTER_MOST = 12, 28, 14
BAR_LEAST = 8
LEFT_LABEL, LEFT_OF_ALL = "to go", "to go (all rigs)"
BAR_SIGNS = {"keep": "█", "doubtful": "▒", OF_OTHERS: "▚", TO_GO: "░"}
KEY, KEY_OF_SOME = "█ kept ▒ doubtful ░ to go", "█ kept ▒ doubtful ▚ other rigs ░ to go"


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the columns stand: widths in cells, and the numbers there is room for."""

    name: int
    filter: int
    number: int
    left: int
    bar: int
    shown: tuple[Number, ...]
    unfolded: frozenset[str]  # mosaics whose panels are shown
    goals: bool = True  # any at all, so that there are bars to read
    some_rigs: bool = False  # hours are of some rigs, what is to go is of all


def numbers_of(rows: Sequence[Standing]) -> tuple[Number, ...]:
    """List the columns of hours; those that are empty on every row are left out."""
    extra = [n for n in SOMETIMES if any(getattr(row.total, n.key) for row in rows)]
    return (*ALWAYS[:2], *extra, *ALWAYS[2:])


def lay_out(rows: Sequence[Standing], width: int, across: int) -> Layout:
    """Share the width out; numbers that do not fit come into sight as the cursor reaches them."""
    numbers = numbers_of(rows)
    cells = [_hours(row, n) for row in rows for n in numbers]
    number = max(len(text) for text in (*cells, *(n.label for n in numbers)))
    some_rigs = any(_of_some_rigs(row) for row in rows)
    label = LEFT_OF_ALL if some_rigs else LEFT_LABEL
    left = max(len(text) for text in (*map(_left, rows), label))
    most = NAME_MOST if width >= 100 else NAME_LEAST
    name = min(max(*(len(_name(row)) for row in rows), NAME_LEAST), most)
    filters = min(max(len(safe(row.total.filter)) for row in rows), FILTER_MOST)
    filters = max(min(filters, width // 8), 6)
    room = width - name - filters - left - BAR_LEAST - 6
    fit = min(max(room // (number + 1), 1), len(numbers))
    first = min(max(across - fit + 1, 0), len(numbers) - fit)
    bar = max(width - name - filters - left - 6 - fit * (number + 1), 0)
    unfolded = frozenset(split_panel(row.target)[0] for row in rows if row.panel is not None)
    return Layout(name, filters, number, left, bar, numbers[first : first + fit], unfolded,
                  any(row.goal_s for row in rows), some_rigs)  # fmt: skip


def heads(layout: Layout, width: int, look: Look) -> Text:
    """Write the line above the rows."""
    text = Text(no_wrap=True, style=styled(look.quiet))
    text.append(f" {fitted('target', layout.name)} {fitted('filter', layout.filter)}")
    for number in layout.shown:
        text.append(f" {number.label:>{layout.number}}")
    key, left = (KEY_OF_SOME, LEFT_OF_ALL) if layout.some_rigs else (KEY, LEFT_LABEL)
    key = key if layout.bar >= len(key) and layout.goals else ""
    text.append(f"  {fitted(key, layout.bar)}")
    text.append(f" {left:>{layout.left}}")
    text.truncate(width)
    return text


def line(row: Standing, before: Standing | None, layout: Layout, here: str, look: Look) -> Text:
    """Write one row; `here` is the number the cursor is on, empty on other rows."""
    text = Text(no_wrap=True)
    name = (
        ""
        if before is not None and _same(row, before)
        else _name(row, "▾" if row.target in layout.unfolded else "▸")
    )
    text.append(f" {fitted(name, layout.name)} ", styled(bold=row.panel is None))
    text.append(fitted(safe(row.total.filter), layout.filter), styled(bold=bool(row.summed)))
    for number in layout.shown:
        on = number.key == here
        color = look.grade(number.grade) if number.grade else look.text
        text.append(" ")
        text.append(f"{_hours(row, number):>{layout.number}}", styled(color, bold=on, reverse=on))
    text.append("  ")
    text.append_text(bar(row, layout.bar, look))
    text.append(f" {_left(row):>{layout.left}}", styled(look.quiet if not here else look.text))
    return text


def _same(row: Standing, before: Standing) -> bool:
    same = split_panel(row.target)[0] == split_panel(before.target)[0] if row.summed else (
        row.target == before.target)  # fmt: skip
    return same and not (row.mosaic or row.panel)


def _name(row: Standing, sign: str = "▾") -> str:
    if row.panel is not None:
        return f"  {_panel(row.panel)}"
    return f"{safe(row.target)} {sign}" if row.mosaic else safe(row.target)


def _panel(panel: str) -> str:
    return "plain frames" if panel == PLAIN_PANEL else f"panel {safe(panel)}"


def _of_some_rigs(row: Standing) -> bool:
    return any(one.total.whole is not None for one in (row, *row.summed))


def _hours(row: Standing, number: Number) -> str:
    seconds = getattr(row.total, number.key)
    return NOTHING if seconds is None else hours(seconds)


def _left(row: Standing) -> str:
    if row.summed:
        return "" if not any(one.goal for one in row.summed) else _to_go(row)
    if row.goal is None:
        return "no goal"
    return _to_go(row)


def _to_go(row: Standing) -> str:
    if row.to_go_s is None:
        return "not known"
    return hours(row.to_go_s) if row.to_go_s > 0 else "reached"


def bar(row: Standing, width: int, look: Look) -> Text:
    """Draw kept, doubtful and to go; full width is the goal, or what there is when it is more.

    Of some rigs' hours, what counts of other rigs stands besides: to go is over all of them.
    Without a goal there is nothing to be full of, so nothing is drawn.
    """
    if not row.goal_s:
        return Text(" " * width)
    total = row.total
    kept_s = total.kept_s + total.credited_s
    others_s = max(total.over_all.counted_s - total.counted_s, 0.0)
    doubtful_s = total.doubtful_s + total.credited_doubtful_s
    hours_bar = goal_bar(kept_s, doubtful_s, row.goal_s, others_s)
    text = Text()
    end_s = 0.0
    for what, seconds in hours_bar.parts:
        end_s += seconds
        cells = round(width * end_s / hours_bar.whole_s) - text.cell_len
        sign, color = BAR_SIGNS[what], _bar_color(what, look)
        text.append(sign * cells, styled(color))
    text.append(" " * max(width - text.cell_len, 0))
    return text


def _bar_color(what: str, look: Look) -> str:
    return look.quiet if what in (OF_OTHERS, TO_GO) else look.grade(what)


def in_words(row: Standing, look: Look) -> Text:
    """Say what the row under the cursor comes to."""
    text = Text()
    text.append(f"{safe(row_name(row))}: ", styled(bold=True))
    text.append(safe("; ".join(_facts(row))))
    text.append("\n")
    text.append(safe(". ".join(_remarks(row))), styled(look.quiet))
    return text


def row_name(row: Standing) -> str:
    """Name a row in a sentence."""
    return f"{row.target}, all filters" if row.summed else f"{row.target} {row.total.filter}"


def _facts(row: Standing) -> list[str]:
    total = row.total
    facts = [_wanted(row)] if not row.summed else []
    over_all = " over all rigs" if _of_some_rigs(row) else ""
    if row.summed and row.to_go_s:
        facts.append(f"{hours(row.to_go_s)} to go{over_all}")
    elif row.to_go_s and total.frames_to_go:
        facts.append(f"{count(total.frames_to_go, 'frame')} to go{over_all}")
    nights = f" in {count(total.nights, 'night')}" if not row.summed else ""
    facts.append(f"{count(total.frames, 'frame')}{nights} so far")
    if total.share_kept is not None:
        facts.append(f"{share(total.share_kept)} kept")
    gained = None if row.summed else gain_of_next_hour(total)
    if gained is not None:
        facts.append(f"an hour more gives {written('gain_next_hour', gained)}")
    return facts


def _wanted(row: Standing) -> str:
    if row.goal is None:
        return "no goal (g sets one)"
    comes_to = "" if row.goal_s is None else f" ({hours(row.goal_s)})"
    return goal_words(row.goal) + (comes_to if row.goal.form is not GoalForm.HOURS else "")


def _remarks(row: Standing) -> list[str]:
    total, found = row.total, []
    if row.summed:
        several = len({one.total.filter for one in row.summed if one.total.frames})
        found.append(f"The sum over {count(several, 'filter')}; hours to go are those of its goals")
    if row.mosaic:
        found.append(f"A mosaic of {count(row.mosaic.panels, 'panel')}, as far along as its worst, "
                     f"{_panel(row.mosaic.worst_panel)}, whose hours these are")  # fmt: skip
    if row.inherited:
        found.append("The goal is that of the mosaic, for each panel")
    if total.credited_s:
        found.append(f"{hours(total.credited_s)} through {', '.join(row.lenders)} count as well")
    if total.doubtful_counts:
        found.append("Doubtful hours count towards the goal")
    return found
