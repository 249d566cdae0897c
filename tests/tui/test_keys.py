"""Every key of the table does what its help says, on its screen."""

from array import array
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, cast

import pytest
from sqlalchemy import func, select
from textual.events import Key
from textual.pilot import Pilot
from textual.widgets import Input

from runlog.core.selection import Order
from runlog.store import models as m
from runlog.store.engine import reading
from runlog.tui import scanning
from runlog.tui.app import PLACES, ReviewApp
from runlog.tui.curves import Curves
from runlog.tui.doubtful_screen import DoubtfulScreen
from runlog.tui.edges import Edges
from runlog.tui.frames_screen import FramesScreen
from runlog.tui.help_screen import HelpScreen
from runlog.tui.keys import EVERYWHERE, SCOPES
from runlog.tui.masthead import Masthead
from runlog.tui.night_screen import NightScreen
from runlog.tui.picture_view import PictureView
from runlog.tui.rig_screen import RigScreen
from runlog.tui.stars import Stars
from runlog.tui.totals_screen import TotalsScreen

from .conftest import Running, press, rest

Check = Callable[[Pilot[Any]], Any]


@dataclass(frozen=True)
class Try:
    """How to get there, what to press, what must differ and what it must be."""

    there: tuple[str, ...]
    keys: tuple[str, ...]
    see: Check
    becomes: Any


def app_of(pilot: Pilot[Any]) -> ReviewApp:
    return cast(ReviewApp, pilot.app)


def screen(pilot: Pilot[Any]) -> Any:
    return pilot.app.screen


def mode(pilot: Pilot[Any]) -> str:
    return pilot.app.current_mode


def kind(pilot: Pilot[Any]) -> str:
    return type(pilot.app.screen).__name__


def cursor(pilot: Pilot[Any]) -> int:
    return cast(int, screen(pilot).table.cursor)


def picked(pilot: Pilot[Any]) -> int:
    return len(screen(pilot).table.picked)


def view(pilot: Pilot[Any]) -> PictureView:
    return cast(PictureView, screen(pilot).view)


def marks(pilot: Pilot[Any]) -> list[str]:
    with reading(app_of(pilot).session.engine) as connection:
        return list(connection.execute(select(m.mark.c.grade).order_by(m.mark.c.id)).scalars())


def last_mark(pilot: Pilot[Any]) -> str:
    return (marks(pilot) or ["none"])[-1]


def notes(pilot: Pilot[Any]) -> int:
    with reading(app_of(pilot).session.engine) as connection:
        query = select(func.count(m.frame.c.note))
        return int(connection.execute(query).scalar_one())


def companion(pilot: Pilot[Any]) -> tuple[str, bool]:
    return screen(pilot).beside, screen(pilot).query_one("#companion").display


def said(pilot: Pilot[Any]) -> str:
    """What was said last."""
    return app_of(pilot).session.said


def goal(pilot: Pilot[Any]) -> float | None:
    rows = getattr(screen(pilot), "rows", None)
    return rows[0].goal_s if rows else None


def typed(pilot: Pilot[Any]) -> str:
    return app_of(pilot).session.listing.words


def scroll(pilot: Pilot[Any]) -> float:
    return float(screen(pilot).query_one("#night").scroll_y)


FR, DO, TO, RI = ("2",), ("3",), ("4",), ("6",)
PI, TI, CA, LO = ("2", "enter"), ("t",), ("c",), ("l",)
TWO = (*DO, "plus", "plus")
P_TWO = (*PI, "plus", "plus")


def looking(there: tuple[str, ...]) -> dict[str, Try]:
    """The picture keys, which two screens share."""
    near = (*there, "plus", "plus")
    return {
        **files(there),
        "look.in": Try(there, ("plus",), lambda p: view(p).zoom_at, 1),
        "look.out": Try(near, ("minus",), lambda p: view(p).zoom_at, 1),
        "look.whole": Try(near, ("0",), lambda p: view(p).zoom_at, 0),
        "look.left": Try(near, ("left",), lambda p: view(p).middle, (0.4375, 0.5)),
        "look.right": Try(near, ("right",), lambda p: view(p).middle, (0.5625, 0.5)),
        "look.up": Try(near, ("up",), lambda p: view(p).middle, (0.5, 0.4375)),
        "look.down": Try(near, ("down",), lambda p: view(p).middle, (0.5, 0.5625)),
        "look.stars": Try(there, ("t",), lambda p: screen(p).query_one(Stars).display, True),
        "look.flick": Try(
            there, ("z",), lambda p: "could not be laid" in app_of(p).session.said, True
        ),
        "look.edges": Try(there, ("e",), lambda p: screen(p).query_one(Edges).display, True),
        "look.curves": Try(there, ("c",), lambda p: screen(p).query_one(Curves).display, True),
        "look.over": Try(there, ("o",), lambda p: view(p).overlay, True),
        "look.best": Try(there, ("b",), companion, ("best", True)),
        "look.previous": Try(there, ("p",), companion, ("previous", True)),
        "look.contrast": Try(there, ("v",), lambda p: view(p).hardness, 2),
        "look.pixels": Try(there, ("x",), lambda p: "Blocks only" in app_of(p).session.said, True),
        "look.full": Try(there, ("f",), lambda p: "not there" in app_of(p).session.said, True),
    }


def files(there: tuple[str, ...]) -> dict[str, Try]:
    """The keys about a frame's file."""
    return {
        "file.copy": Try(there, ("C",), lambda p: "/nowhere/" in p.app.clipboard, True),
        "file.open": Try(there, ("F",), lambda p: "No program" in app_of(p).session.said, True),
    }


def grading(there: tuple[str, ...]) -> dict[str, Try]:
    """The keys that decide, which three screens share."""
    typed = (*there, "n", "h", "i")
    return {
        "grade.keep": Try(there, ("y",), last_mark, "keep"),
        "grade.reject": Try(there, ("r",), last_mark, "reject"),
        "grade.doubtful": Try(there, ("d",), last_mark, "doubtful"),
        "grade.auto": Try(there, ("a",), last_mark, "auto"),
        "grade.note": Try(typed, ("enter",), notes, 1),
    }


TRIED: dict[str, dict[str, Try]] = {
    "everywhere": {
        "go.night": Try(FR, ("1",), mode, "night"),
        "go.frames": Try((), ("2",), mode, "frames"),
        "go.doubtful": Try((), ("3",), mode, "doubtful"),
        "go.tonight": Try((), ("5",), mode, "tonight"),
        "go.totals": Try((), ("4",), mode, "totals"),
        "go.rig": Try((), ("6",), mode, "rig"),
        "all.help": Try((), ("question_mark",), kind, "HelpScreen"),
        "all.undo": Try((*FR, "r"), ("u",), marks, ["reject", "auto"]),
        "all.redo": Try((*FR, "r", "u"), ("U",), marks, ["reject", "auto", "reject"]),
        "all.shade": Try((), ("T",), lambda p: p.app.theme, "runlog-light"),
        "all.zone": Try((), ("Z",), lambda p: app_of(p).session.utc, True),
        "all.palette": Try((), ("ctrl+p",), kind, "CommandPalette"),
    },
    "night": {
        "night.earlier": Try((), ("left",), lambda p: app_of(p).session.run_at, 1),
        "night.later": Try(("left", "left"), ("right",), lambda p: app_of(p).session.run_at, 1),
        "night.calendar": Try((), ("c",), kind, "CalendarScreen"),
        "night.timeline": Try((), ("t",), kind, "TimelineScreen"),
        "night.event": Try((), ("e",), lambda p: screen(p).event, 0),
        "night.event_back": Try(("e",), ("E",), lambda p: screen(p).event, 1),
        "go.losses": Try((), ("l",), kind, "LossesScreen"),
        "night.open": Try((), ("enter",), mode, "doubtful"),
        "night.let_go": Try(("e",), ("escape",), lambda p: screen(p).event, None),
        "night.down": Try((), ("down",), scroll, 4.0),
        "night.up": Try(("down", "down"), ("up",), scroll, 4.0),
    },
    "timeline": {
        "time.back": Try((*TI, "right", "right"), ("left",), lambda p: screen(p).at, 1),
        "time.on": Try(TI, ("right",), lambda p: screen(p).at, 1),
        "time.trouble": Try(TI, ("space",), lambda p: screen(p).at, 17),
        "time.open": Try(TI, ("enter",), kind, "PictureScreen"),
        "time.leave": Try(TI, ("escape",), kind, "NightScreen"),
    },
    "frames": {
        **grading(FR),
        **files(FR),
        "list.find": Try(FR, ("slash",), lambda p: screen(p).query_one(Input).has_focus, True),
        "list.order": Try(FR, ("o",), lambda p: app_of(p).session.listing.order.column, "target"),
        "list.turn": Try(FR, ("O",), lambda p: app_of(p).session.listing.order.descending, True),
        "list.open": Try(FR, ("enter",), kind, "PictureScreen"),
        "list.pick": Try(FR, ("space",), picked, 1),
        "list.pick_up": Try((*FR, "down", "down"), ("shift+up",), picked, 2),
        "list.pick_down": Try(FR, ("shift+down",), picked, 2),
        "list.all": Try(FR, ("asterisk",), picked, 71),
        "list.above": Try((*FR, "end", "up"), ("greater_than_sign",), picked, 2),
        "list.below": Try((*FR, "down"), ("less_than_sign",), picked, 2),
        "list.nights": Try(FR, ("A",), lambda p: len(screen(p).table.ids), 213),
        "list.export": Try(FR, ("e",), kind, "ExportScreen"),
        "list.up": Try((*FR, "down", "down"), ("up",), cursor, 1),
        "list.down": Try(FR, ("down",), cursor, 1),
        "list.page_up": Try((*FR, "end"), ("pageup",), cursor, 54),
        "list.page_down": Try(FR, ("pagedown",), cursor, 16),
        "list.first": Try((*FR, "end"), ("home",), cursor, 0),
        "list.last": Try(FR, ("end",), cursor, 70),
        "list.drop": Try((*FR, "asterisk"), ("escape",), picked, 0),
    },
    "doubtful": {
        **grading(DO),
        **looking(DO),
        "queue.next": Try(DO, ("space",), lambda p: screen(p).at, 1),
        "queue.back": Try((*DO, "space", "space"), ("backspace",), lambda p: screen(p).at, 1),
        "queue.unfold": Try(DO, ("w",), lambda p: "single frame" in app_of(p).session.said, True),
        "queue.nights": Try(DO, ("A",), lambda p: len(screen(p).cases), 36),
    },
    "picture": {
        **grading(PI),
        **looking(PI),
        "picture.next": Try(PI, ("space",), lambda p: screen(p).at, 1),
        "picture.back": Try((*PI, "space", "space"), ("backspace",), lambda p: screen(p).at, 1),
        "picture.leave": Try(PI, ("escape",), kind, "FramesScreen"),
    },
    "totals": {
        "total.goal": Try((*TO, "g", "9"), ("enter",), goal, 9 * 3600.0),
        "total.open": Try(TO, ("enter",), typed, '"M 31" "Ha" keep'),
        "total.left": Try((*TO, "right"), ("left",), lambda p: screen(p).across, 0),
        "total.right": Try(TO, ("right",), lambda p: screen(p).across, 1),
        "total.fold": Try(TO, ("w",), lambda p: "no mosaic" in app_of(p).session.said, True),
        "go.losses": Try(TO, ("l",), kind, "LossesScreen"),
        "list.export": Try(TO, ("e",), kind, "ExportScreen"),
        "total.up": Try((*TO, "down", "down"), ("up",), lambda p: screen(p).at, 1),
        "total.down": Try(TO, ("down",), lambda p: screen(p).at, 1),
    },
    "losses": {
        "loss.before": Try(LO, ("left",), said, "No night is stored of a season before"),
        "loss.after": Try(LO, ("right",), said, "No night is stored of a season after"),
        "loss.nights": Try(LO, ("A",), lambda p: screen(p).every_night, True),
        "loss.up": Try((*LO, "down"), ("up",), lambda p: screen(p).at, 0),
        "loss.down": Try(LO, ("down",), lambda p: screen(p).at, 1),
        "loss.leave": Try(LO, ("escape",), kind, "NightScreen"),
    },
    "calendar": {
        "day.left": Try(CA, ("left",), lambda p: screen(p).at, 1),
        "day.right": Try((*CA, "left", "left"), ("right",), lambda p: screen(p).at, 1),
        "day.up": Try(CA, ("up",), lambda p: screen(p).at, 1),
        "day.down": Try((*CA, "left", "left"), ("down",), lambda p: screen(p).at, 1),
        "day.month_back": Try(CA, ("pageup",), lambda p: screen(p).at, 0),
        "day.month_on": Try((*CA, "left", "left"), ("pagedown",), lambda p: screen(p).at, 2),
        "day.pick": Try((*CA, "left"), ("enter",), lambda p: app_of(p).session.run_at, 1),
        "day.leave": Try(CA, ("escape",), kind, "NightScreen"),
    },
    "tonight": {},
    "rig": {
        "rig.part": Try(RI, ("right",), lambda p: screen(p).part.name, "polar axis"),
        "rig.part_back": Try(RI, ("left",), lambda p: screen(p).part.name, "changes"),
        "rig.open": Try((*RI, "right", "down"), ("enter",), mode, "night"),
        "rig.nights": Try(RI, ("A",), lambda p: screen(p).season, "2026-27"),
        "rig.change": Try(RI, ("n",), kind, "NoteScreen"),
        "rig.remark": Try(RI, ("N",), kind, "NoteScreen"),
        "rig.up": Try((*RI, "right", "down", "down"), ("up",), lambda p: screen(p).at, 1),
        "rig.down": Try((*RI, "right"), ("down",), lambda p: screen(p).at, 1),
    },
}  # fmt: skip
# Below: they need a process or an end. Those of the plan need a site: tests/tui/test_tonight.py.
ELSEWHERE = {
    "everywhere": {"all.scan", "all.live", "all.quit", "all.page"},  # a page: test_page.py
    "tonight": {"plan.open", "plan.up", "plan.down"},
    "rig": {"rig.read", "rig.read_back"},  # where there is more to read: tests/tui/test_rig.py
}
# These store something or change the whole interface: each gets an interface of its own.
ALONE = [
    (scope, name)
    for scope, tries in TRIED.items()
    for name in tries
    if scope == "everywhere" or name in ("total.goal", "total.open")
]


def test_every_key_is_tried() -> None:
    """A key added to the table without a try below fails here."""
    listed = {"everywhere": EVERYWHERE} | {scope: keys for scope, (_, keys) in SCOPES.items()}
    for scope, keys in listed.items():
        assert {key.id for key in keys} == set(TRIED[scope]) | ELSEWHERE.get(scope, set()), scope


@pytest.mark.parametrize("scope", SCOPES)
def test_no_key_means_two_things(scope: str) -> None:
    """On one screen, with the keys that work everywhere, each key has one meaning."""
    keys = [k for key in (*SCOPES[scope][1], *EVERYWHERE) for k in key.keys.split(",")]
    if scope == "calendar":  # a dialogue: the keys of the screens below do not reach it
        keys = [k for key in SCOPES[scope][1] for k in key.keys.split(",")]
    assert sorted(keys) == sorted(set(keys))


@pytest.mark.parametrize(("scope", "name"), ALONE)
async def test_key(running: Running, scope: str, name: str) -> None:
    """The key does what the table says, and what it changes was otherwise before."""
    async with running() as pilot:
        await tried(pilot, scope, name)


async def tried(pilot: Pilot[Any], scope: str, name: str) -> None:
    attempt = TRIED[scope][name]
    await press(pilot, *attempt.there)
    assert attempt.see(pilot) != attempt.becomes, name
    await press(pilot, *attempt.keys)
    assert attempt.see(pilot) == attempt.becomes, name


@pytest.mark.parametrize("scope", SCOPES)
async def test_keys_of_screen(running: Running, scope: str) -> None:
    """Every key that only moves or shows does what the table says, one after another."""
    async with running() as pilot:
        for name in TRIED[scope]:
            if (scope, name) not in ALONE:
                await start_again(pilot)
                await tried(pilot, scope, name)


async def start_again(pilot: Pilot[Any]) -> None:
    """Go back to the last night, everything as it was at the start."""
    app = app_of(pilot)
    while len(app.screen_stack) > 1:
        await app.pop_screen()
    await app.action_go("night")
    app.session.run_at = len(app.session.runs) - 1
    app.session.say("")
    await rest(pilot)
    app.screen.query_one("#night").scroll_to(y=0, animate=False)
    app.session.ask_for(order=Order(), every_night=False)
    for place in PLACES:
        with suppress(KeyError):  # of a place where one was not yet
            _reset(app.get_screen_stack(place)[0])
    app.session.on_change()
    await rest(pilot)


def _reset(screen: Any) -> None:
    if isinstance(screen, NightScreen):
        screen.action_let_go()
    if isinstance(screen, FramesScreen):
        screen.table.drop()
        screen.table.show(array("q"))
        screen.table.focus()
        screen._shown = None
    elif isinstance(screen, DoubtfulScreen):
        _reset_view(screen)
        screen.at, screen.every_night = 0, False
        screen._shown = None
    elif isinstance(screen, TotalsScreen):
        screen.at = screen.across = 0
    elif isinstance(screen, RigScreen):
        screen.part_at, screen._loaded, screen.every_night = 0, None, None


def _reset_view(screen: DoubtfulScreen) -> None:
    view = screen.view
    view.zoom(0)
    view.overlay, view.hardness, screen.beside = False, 1, ""
    screen.query_one("#companion").display = False
    screen.query_one(Edges).display, view.display = False, True
    screen.query_one(Curves).display = screen.query_one(Stars).display = False


async def test_a_list_of_all_nights_is_not_headed_by_one(running: Running) -> None:
    """The top line says all nights while the list holds all; typing anew replaces old words."""
    async with running() as pilot:
        await press(pilot, "2")
        masthead = pilot.app.screen.query_one(Masthead)
        assert "all nights" not in masthead.render().plain
        await press(pilot, "A")
        assert "all nights" in masthead.render().plain
        await press(pilot, "slash", "s", "o", "enter", "slash", "r", "e", "j", "enter")
        assert app_of(pilot).session.listing.words == "rej"


async def test_quit_remembers_and_ends(running: Running) -> None:
    """q ends the interface."""
    async with running() as pilot:
        await press(pilot, "2")
        await pilot.press("q")
        await pilot.pause()
        assert not pilot.app.is_running or pilot.app._exit


class _NoProcess:
    """Stands where a scan process would, and never ends by itself."""

    started: list["_NoProcess"]

    def __init__(self, *_: object) -> None:
        self.stopped = False
        self.started.append(self)

    async def run(self) -> Any:
        import asyncio

        yield scanning.ScanWords("reading 3 of 9")
        while not self.stopped:
            await asyncio.sleep(0.01)
        yield scanning.ScanWords(ended="Scan stopped: 3 new frames")

    def stop(self) -> None:
        self.stopped = True


async def test_scan_keys(running: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    """s starts one scan, its progress shows, s stops it and says how it ended."""
    monkeypatch.setattr(_NoProcess, "started", [], raising=False)
    monkeypatch.setattr(scanning, "ScanProcess", _NoProcess)
    async with running() as pilot:
        await pilot.press("s")
        await _until(lambda: "reading 3 of 9" in app_of(pilot).session.scan_words, pilot)
        await pilot.press("s")
        await rest(pilot)
        assert app_of(pilot).session.said == "Scan stopped: 3 new frames"
        assert len(_NoProcess.started) == 1


class _NoWatch:
    """Stands where the watch would."""

    began = stopped = 0
    running = False

    def __init__(self, *_: object) -> None:
        self._tell = _[-1]

    async def run(self) -> str:
        import asyncio

        self.running, self.began = True, self.began + 1
        self._tell("watching, 2 new frames")
        while self.running:
            await asyncio.sleep(0.01)
        self._tell("")
        return ""

    def stop(self) -> None:
        self.running = False


async def test_live_key(running: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    """L begins a watch, which says what came; L ends it; what ends it by itself is said."""
    monkeypatch.setattr("runlog.tui.app.LiveWatch", _NoWatch)
    async with running() as pilot:
        session, watch = app_of(pilot).session, app_of(pilot).live_watch
        await pilot.press("L")
        await _until(lambda: "watching, 2 new frames" in session.scan_words, pilot)
        assert session.live and watch.began == 1
        await pilot.press("L")
        await _until(lambda: not session.scan_words, pilot)
        assert not session.live and not watch.running
        monkeypatch.setattr(watch, "run", _broken)
        await pilot.press("L")
        await _until(lambda: session.said == "The watch broke off", pilot)
        assert not session.live


async def _broken() -> str:
    return "The watch broke off"


async def _until(found: Callable[[], bool], pilot: Pilot[Any]) -> None:
    for _ in range(200):
        if found():
            return
        await pilot.pause(0.01)
    raise AssertionError("it never came")


@pytest.mark.parametrize("scope", SCOPES)
async def test_help_is_the_table(running: Running, scope: str) -> None:
    """The help shows every key of its screen and of everywhere, in the table's words."""
    async with running() as pilot:
        await pilot.app.push_screen(HelpScreen(scope, app_of(pilot).session.look))
        await rest(pilot)
        words = str(screen(pilot).query_one("Static").content)
        for key in (*SCOPES[scope][1], *EVERYWHERE):
            assert key.shown in words
            assert key.help in words


async def test_palette_runs_a_key_by_name(running: Running) -> None:
    """The command palette offers the keys of the screen and runs them."""
    async with running() as pilot:
        await press(pilot, "ctrl+p", *"calendar")
        await pilot.pause(0.3)
        await press(pilot, "enter")
        await pilot.pause(0.2)
        await rest(pilot)
        assert kind(pilot) == "CalendarScreen"


async def test_keys_typed_ahead_reach_what_they_open(running: Running) -> None:
    """A quick hand types a goal, a note or words before the field is there: no letter is lost."""
    async with running() as pilot:
        await press(pilot, "4")
        _type(pilot, "g", "2", "0", "enter")
        await _until(lambda: goal(pilot) == 20 * 3600.0, pilot)
        _type(pilot, "2", "slash", *"doubtful")
        await _until(lambda: typed(pilot) == "doubtful", pilot)


def _type(pilot: Pilot[Any], *keys: str) -> None:
    """Hand keys over all at once, as a terminal does."""
    for key in keys:
        character = {"enter": "\r", "slash": "/"}.get(key, key)
        pilot.app.post_message(Key(key, character))
