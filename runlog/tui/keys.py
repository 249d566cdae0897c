"""The one table of keys: it binds them, writes the help, the hint line and the command palette."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from textual.binding import Binding


@dataclass(frozen=True, slots=True)
class Key:
    """One thing a key does on a screen."""

    id: str
    keys: str  # as Textual names them, several parted by commas
    shown: str  # as it is printed
    action: str
    label: str  # a word or two for the hint line
    help: str  # a sentence for the help
    hint: bool = True
    priority: bool = False


def _k(
    id: str, keys: str, shown: str, action: str, label: str, help: str, hint: bool = True
) -> Key:
    return Key(id, keys, shown, action, label, help, hint)


EVERYWHERE = (
    _k("go.night", "1", "1", "go('night')", "night", "What happened in the night", False),
    _k("go.frames", "2", "2", "go('frames')", "frames", "All frames, one a row", False),
    _k("go.doubtful", "3", "3", "go('doubtful')", "doubtful", "Frames that need a decision", False),
    _k("go.totals", "4", "4", "go('totals')", "totals", "Hours per target and filter", False),
    _k("go.tonight", "5", "5", "go('tonight')", "tonight", "What to do in the coming night", False),
    _k("go.rig", "6", "6", "go('rig')", "rig", "Focus, polar axis, months, changes", False),
    _k("all.help", "question_mark,f1", "?", "help", "help", "Show the keys of this screen"),
    _k("all.undo", "u", "u", "undo", "undo", "Take back the last decision, goal or rig's note",
       False),
    _k("all.redo", "U", "U", "redo", "redo", "Make it again", False),
    _k("all.scan", "s", "s", "scan", "scan", "Look for new frames; again: stop looking", False),
    _k("all.live", "L", "L", "live", "live", "Keep looking for new frames all night", False),
    _k("all.page", "P", "P", "page", "page",
       "Make a page to keep of what is in view, and open it", False),
    _k("all.shade", "T", "T", "shade", "light/dark", "Switch between light and dark", False),
    _k("all.zone", "Z", "Z", "zone", "local/UTC", "Times by the site's clock, or in UTC", False),
    _k("all.palette", "ctrl+p", "Ctrl+P", "command_palette", "commands", "Find a command by name",
       False),
    _k("all.quit", "q,ctrl+q", "q", "quit", "quit", "Leave; everything is already stored"),
)  # fmt: skip

RIGS = _k(
    "all.rigs", "R", "R", "rigs", "all rigs", "All rigs in view, or one of them; again: the next"
)


def everywhere(several_rigs: bool) -> tuple[Key, ...]:
    """List the keys that work everywhere; whoever has one rig has none to choose."""
    return (*EVERYWHERE, RIGS) if several_rigs else EVERYWHERE


GRADES = (
    _k("grade.keep", "y", "y", "grade('keep')", "keep", "Keep it"),
    _k("grade.reject", "r", "r", "grade('reject')", "reject", "Reject it"),
    _k("grade.doubtful", "d", "d", "grade('doubtful')", "doubtful", "Leave it doubtful, for good"),
    _k("grade.auto", "a", "a", "grade('auto')", "automatic", "Give the automatic grade back",
       False),
    _k("grade.note", "n", "n", "note", "note", "Write a note; the grade shown becomes yours",
       False),
)  # fmt: skip

FILES = (
    _k("file.copy", "C", "C", "copy_path", "copy path", "Copy the path of its file", False),
    _k("file.open", "F", "F", "open_file", "open file",
       "Open its file in the program the config names", False),
)  # fmt: skip

EXPORT = _k("list.export", "e", "e", "export", "export",
            "Export kept frames: links, a table, a list of paths", False)  # fmt: skip

LOST = _k("go.losses", "l", "l", "losses", "losses", "What cost light this season, by cause")

LOOKING = (
    *FILES,
    _k("look.in", "plus,equals_sign", "+", "zoom(1)", "closer", "Look closer", False),
    _k("look.out", "minus", "-", "zoom(-1)", "farther", "Step back", False),
    _k("look.whole", "0", "0", "zoom(0)", "whole", "Show the whole frame", False),
    _k("look.left", "left", "←", "pan(-1,0)", "left", "Move left (whole frame: the one before)",
       False),
    _k("look.right", "right", "→", "pan(1,0)", "right", "Move right (whole frame: the next)",
       False),
    _k("look.up", "up", "↑", "pan(0,-1)", "up", "Move up", False),
    _k("look.down", "down", "↓", "pan(0,1)", "down", "Move down", False),
    _k("look.stars", "t", "t", "stars", "stars",
       "Stars above the best frame's same stars; o draws what was measured"),
    _k("look.flick", "z", "z", "flick", "flick", "This frame and the best in turns, star on star"),
    _k("look.edges", "e", "e", "edges", "edges", "Stars from corner to corner, pixel by pixel"),
    _k("look.curves", "c", "c", "curves", "curves",
       "A star's profile and curve of growth, beside the best frame's", False),
    _k("look.over", "o", "o", "over", "overlay", "Draw over it what was measured"),
    _k("look.best", "b", "b", "compare('best')", "best", "Put the best frame of the run beside it"),
    _k("look.previous", "p", "p", "compare('previous')", "previous",
       "Put the one before it beside it", False),
    _k("look.contrast", "v", "v", "contrast", "contrast", "Softer or harder contrast", False),
    _k("look.pixels", "x", "x", "pixels", "pixels",
       "Draw in pixels where the terminal has them, or in blocks", False),
    _k("look.full", "f", "f", "full", "full", "Read the file for full resolution", False),
)  # fmt: skip

NIGHT = (
    _k("night.earlier", "left", "←", "night(-1)", "earlier", "The night before"),
    _k("night.later", "right", "→", "night(1)", "later", "The night after"),
    _k("night.calendar", "c", "c", "calendar", "calendar", "Pick a night from the calendar"),
    _k("night.timeline", "t", "t", "timeline", "time line", "The time line, as large as it gets"),
    _k("night.event", "e", "e", "event(1)", "event", "The next event; Enter lists its frames"),
    _k("night.event_back", "E", "E", "event(-1)", "event back", "The event before", False),
    replace(LOST, hint=False),
    _k("night.open", "enter", "Enter", "open", "decide",
       "Go on to the doubtful frames, or see those of the event chosen", False),
    _k("night.let_go", "escape", "Esc", "let_go", "let go", "Choose no event", False),
    _k("night.down", "down,j", "↓ j", "down", "down", "Read on", False),
    _k("night.up", "up,k", "↑ k", "up", "up", "Read back", False),
)  # fmt: skip

TIMELINE = (
    _k("time.back", "left", "←", "step(-1)", "back", "The frame before"),
    _k("time.on", "right", "→", "step(1)", "on", "The next frame"),
    _k("time.trouble", "space", "Space", "trouble", "next trouble", "The next frame not kept"),
    _k("time.open", "enter", "Enter", "open", "picture", "See this frame"),
    _k("time.leave", "escape,t", "Esc", "leave", "back", "Back to the night"),
)

FRAMES = (
    *GRADES,
    *FILES,
    _k("list.find", "slash", "/", "find", "find", "Find by words (below); ↑ ↓ recall, → completes"),
    _k("list.order", "o", "o", "order(1)", "order", "Order by the next column"),
    _k("list.turn", "O", "O", "turn", "turn", "Turn the order round", False),
    _k("list.open", "enter", "Enter", "open", "picture", "See this frame", False),
    _k("list.pick", "space", "Space", "pick", "pick", "Pick this frame, or drop it again", False),
    _k("list.pick_up", "shift+up", "Shift+↑", "stretch(-1)", "pick up", "Pick a range, upwards",
       False),
    _k("list.pick_down", "shift+down", "Shift+↓", "stretch(1)", "pick down",
       "Pick a range, downwards", False),
    _k("list.all", "asterisk", "*", "pick_all", "pick all", "Pick all that are shown", False),
    _k("list.above", "greater_than_sign", ">", "pick_side(1)", "pick above",
       "Pick all with this value or more of the column in order", False),
    _k("list.below", "less_than_sign", "<", "pick_side(-1)", "pick below",
       "Pick all with this value or less", False),
    _k("list.nights", "A", "A", "every_night", "all nights", "This night only, or all nights",
       False),
    EXPORT,
    _k("list.up", "up,k", "↑ k", "move(-1)", "up", "The row above", False),
    _k("list.down", "down,j", "↓ j", "move(1)", "down", "The row below", False),
    _k("list.page_up", "pageup", "PgUp", "move_page(-1)", "page up", "A page up", False),
    _k("list.page_down", "pagedown", "PgDn", "move_page(1)", "page down", "A page down", False),
    _k("list.first", "home", "Home", "jump(0)", "first", "The first row", False),
    _k("list.last", "end", "End", "jump(1)", "last", "The last row", False),
    _k("list.drop", "escape", "Esc", "drop", "drop",
       "Drop what is picked, then what is typed; from an event or a sum: go back", False),
)  # fmt: skip

DOUBTFUL = (
    *GRADES,
    _k("queue.next", "space,j", "Space", "step(1)", "skip", "Leave it for later (also j)"),
    _k("queue.back", "backspace,k", "Backspace", "step(-1)", "back", "The one before (k too)",
       False),
    _k("queue.unfold", "w", "w", "unfold", "unfold", "Take a block apart, frame by frame", False),
    _k("queue.nights", "A", "A", "every_night", "all nights", "This night only, or all nights",
       False),
    *LOOKING,
)  # fmt: skip

PICTURE = (
    *GRADES,
    _k("picture.next", "space,j", "Space", "step(1)", "next", "The next frame (also j)"),
    _k(
        "picture.back",
        "backspace,k",
        "Backspace",
        "step(-1)",
        "back",
        "The one before (k too)",
        False,
    ),
    _k("picture.leave", "escape,enter", "Esc", "leave", "list", "Back to the list"),
    *LOOKING,
)

TONIGHT = (
    _k("plan.open", "enter", "Enter", "open", "next nights", "The next good nights of this target"),
    _k("plan.up", "up", "↑", "move(-1)", "up", "The row above", False),
    _k("plan.down", "down", "↓", "move(1)", "down", "The row below", False),
)  # fmt: skip

TOTALS = (
    _k("total.goal", "g", "g", "goal", "set goal", "Say what is wanted: hours, a ratio, a gain"),
    _k("total.open", "enter", "Enter", "open", "frames", "The frames behind this number"),
    LOST,
    replace(EXPORT, hint=True),
    _k("total.left", "left", "←", "across(-1)", "left", "The number to the left", False),
    _k("total.right", "right", "→", "across(1)", "right", "The number to the right", False),
    _k("total.fold", "w", "w", "fold", "panels", "Put a mosaic's panels away, or show them"),
    _k("total.up", "up,k", "↑ k", "move(-1)", "up", "The row above"),
    _k("total.down", "down,j", "↓ j", "move(1)", "down", "The row below"),
)

LOSSES = (
    _k("loss.before", "left", "←", "season(-1)", "season before", "The season before"),
    _k("loss.after", "right", "→", "season(1)", "season after", "The season after"),
    _k("loss.nights", "A", "A", "every_night", "all nights", "One season, or all nights"),
    _k("loss.up", "up,k", "↑ k", "move(-1)", "up", "The row above", False),
    _k("loss.down", "down,j", "↓ j", "move(1)", "down", "The row below", False),
    _k("loss.leave", "escape,l", "Esc", "leave", "back", "Back to where you were"),
)  # fmt: skip

RIG = (
    _k("rig.part", "right,tab", "→", "part(1)", "next part",
       "Sweeps, polar axis, months, changes (Tab too)"),
    _k("rig.part_back", "left,shift+tab", "←", "part(-1)", "part before", "The part before", False),
    _k("rig.open", "enter", "Enter", "open", "its night", "Turn to the night of this line"),
    _k("rig.change", "n", "n", "note('change')", "note a change",
       "Note what was changed on the rig, from the night in view on"),
    _k("rig.remark", "N", "N", "note('remark')", "note a remark",
       "Note a remark: nights are compared as before", False),
    _k("rig.nights", "A", "A", "every_night", "all nights",
       "Sweeps and polar axis of one season, or of all nights", False),
    _k("rig.up", "up,k", "↑ k", "move(-1)", "up", "The line above", False),
    _k("rig.down", "down,j", "↓ j", "move(1)", "down", "The line below", False),
    _k("rig.read", "pagedown", "PgDn", "read(1)", "read on", "Read on in what is said", False),
    _k("rig.read_back", "pageup", "PgUp", "read(-1)", "read back", "Read back", False),
)  # fmt: skip

CALENDAR = (
    _k("day.left", "left", "←", "day(-1)", "earlier", "The night before"),
    _k("day.right", "right", "→", "day(1)", "later", "The night after"),
    _k("day.up", "up", "↑", "day(-7)", "week back", "About a week back", False),
    _k("day.down", "down", "↓", "day(7)", "week on", "About a week on", False),
    _k("day.month_back", "pageup", "PgUp", "month(-1)", "month back", "A month back"),
    _k("day.month_on", "pagedown", "PgDn", "month(1)", "month on", "A month on"),
    _k("day.pick", "enter", "Enter", "pick", "open", "Open this night"),
    _k("day.leave", "escape,c", "Esc", "leave", "back", "Stay where you were"),
)

SCOPES: dict[str, tuple[str, tuple[Key, ...]]] = {
    "night": ("The night", NIGHT),
    "timeline": ("The time line", TIMELINE),
    "frames": ("The frames", FRAMES),
    "doubtful": ("The doubtful frames", DOUBTFUL),
    "picture": ("The picture", PICTURE),
    "totals": ("The totals", TOTALS),
    "tonight": ("The plan of the night", TONIGHT),
    "losses": ("What cost light", LOSSES),
    "rig": ("The rig", RIG),
    "calendar": ("The calendar", CALENDAR),
}


def bound(keys: tuple[Key, ...]) -> list[Binding]:
    """Turn table rows into Textual's bindings; the table's hint line stands in for its footer."""
    return [
        Binding(k.keys, k.action, k.label, show=False, id=k.id, tooltip=k.help, priority=k.priority)
        for k in keys
    ]


def hinted(scope: str, several_rigs: bool = False) -> Iterator[Key]:
    """List the keys worth a place in the hint line."""
    return (key for key in (*SCOPES[scope][1], *everywhere(several_rigs)) if key.hint)
