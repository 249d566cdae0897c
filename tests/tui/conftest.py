"""One built database a session, copied for each test; and the app on a copy."""

import asyncio
import inspect
import shutil
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import Engine, QueuePool, make_url
from textual import _wait
from textual.css.stylesheet import Stylesheet
from textual.pilot import Pilot

from runlog.actions.settle import settle_all
from runlog.config import Settings
from runlog.store.engine import open_engine, writing
from runlog.store.runs import all_runs, touch_runs
from runlog.tui import session as sessions
from runlog.tui.app import ReviewApp
from runlog.tui.session import Session
from tests.conftest import KINDS

from .nights import Wish, build
from .pair import shifted

__all__ = ["shifted"]  # a fixture

if TYPE_CHECKING:
    from tests.servers import Server

Running = Callable[..., Any]
ENDED: list[Engine] = []  # of apps that ended in this test: a thread of theirs may ask even so


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """Run coroutine tests; one loop each, which waits for its threads before it ends."""
    if not inspect.iscoroutinefunction(pyfuncitem.obj):
        return None
    names = pyfuncitem._fixtureinfo.argnames
    try:
        asyncio.run(pyfuncitem.obj(**{name: pyfuncitem.funcargs[name] for name in names}))
    finally:
        while ENDED:
            ENDED.pop().dispose()
    return True


def _built(path: Path, wish: Wish | None = None) -> Path:
    engine = build(path, wish)
    engine.dispose()
    return path


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three nights of 71 frames, 12 of them doubtful, with pictures."""
    return _built(tmp_path_factory.mktemp("built") / "nights.sqlite")


@pytest.fixture(scope="session")
def settled(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The three nights as the rules grade them: the first command has nothing left to settle."""
    path = Path(shutil.copy(built, tmp_path_factory.mktemp("settled") / "nights.sqlite"))
    engine = open_engine(str(path))
    with writing(engine) as connection:
        touch_runs(connection, [run.id for run in all_runs(connection)])
    settle_all(engine, Settings())
    engine.dispose()
    return path


@pytest.fixture(scope="session")
def built_short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One night of 3,000 frames of five seconds, 600 of them doubtful."""
    wish = Wish(nights=1, frames=3000, doubtful=600, exposure_s=5.0, pictures=False)
    return _built(tmp_path_factory.mktemp("short") / "nights.sqlite", wish)


@pytest.fixture(scope="session")
def built_on_server(server: "Server", migrated: str) -> Iterator[str]:
    """The three nights in a database of a server, to be copied."""
    with server.database(migrated) as url:
        build(url).dispose()
        yield str(make_url(url).database)


@pytest.fixture
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path | str]:
    """A fresh copy of the three nights: a file, or a server's (`both_databases`).

    Where the real command marks frames of it (`settled`) they are settled before, once for all:
    that takes it longer than all else it does.
    """
    if getattr(request, "param", "sqlite") == "sqlite":
        which = "settled" if request.node.get_closest_marker("settled") else "built"
        yield Path(shutil.copy(request.getfixturevalue(which), tmp_path / "nights.sqlite"))
        return
    template = request.getfixturevalue("built_on_server")
    with request.getfixturevalue("server").database(template) as url:
        yield url


@pytest.fixture(params=KINDS)
def empty(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path | str]:
    """A database of each kind in which nothing is stored: a file yet to be made, or a server's."""
    if request.param == "sqlite":
        yield tmp_path / "empty.sqlite"
        return
    template = request.getfixturevalue("migrated")
    with request.getfixturevalue("server").database(template) as url:
        yield url


@pytest.fixture(scope="session", autouse=True)
def _styles_parsed_once() -> Iterator[None]:
    """Parse each style once for all apps of this process: a tenth of a test's time."""
    parse = Stylesheet._parse_rules
    parsed: dict[Any, Any] = {}

    def once(sheet: Stylesheet, *what: Any, **more: Any) -> Any:
        key = (what, *sorted(more.items()), frozenset(sheet._variables.items()))
        if key not in parsed:
            parsed[key] = parse(sheet, *what, **more)
        return parsed[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Stylesheet, "_parse_rules", once)
        yield


@pytest.fixture(autouse=True)
def _no_clockwork(monkeypatch: pytest.MonkeyPatch) -> None:
    """Synthesised frames are not regraded behind a test's back; the colours are the usual ones."""
    monkeypatch.setattr(sessions, "settle_now", lambda *_: 0)
    monkeypatch.delenv("NO_COLOR", raising=False)
    # Look for idleness every 5 ms instead of every 20: `rest` waits for the work itself.
    monkeypatch.setattr(_wait, "SLEEP_GRANULARITY", 0.005)
    monkeypatch.setattr(_wait, "SLEEP_IDLE", 0.001)


def make_app(database: Path | str, folder: Path | None = None) -> ReviewApp:
    """The interface on a database, remembering beside it, or in a folder."""
    beside = folder / "nights" if folder else Path(database)
    session = Session(
        open_engine(str(database)),
        Settings(),
        who="mia",
        database=str(database),
        state_file=beside.with_suffix(".state.json"),
    )
    return ReviewApp(session)


PATIENCE_S = 20.0


@contextmanager
def disposing(app: ReviewApp) -> Iterator[ReviewApp]:
    """Let go of the app's connections when it is no longer needed, as a server's must be.

    Threads that still ask when the app ends give theirs back first; what one opens that comes to
    it later yet is let go when the loop has ended, and all threads with it.
    """
    try:
        yield app
    finally:
        pool, until = app.session.engine.pool, time.monotonic() + PATIENCE_S
        while isinstance(pool, QueuePool) and pool.checkedout() and time.monotonic() < until:
            time.sleep(0.01)
        app.session.engine.dispose()
        ENDED.append(app.session.engine)


@pytest.fixture
def running(database: Path | str, tmp_path: Path) -> Running:
    """Run the interface: `async with running() as pilot`."""

    @asynccontextmanager
    async def run(
        size: tuple[int, int] = (80, 24), path: Path | None = None
    ) -> AsyncIterator[Pilot[None]]:
        with disposing(make_app(path) if path else make_app(database, tmp_path)) as app:
            async with app.run_test(size=size) as pilot:
                await rest(pilot)
                yield pilot

    return run


QUIET_ROUNDS = 3  # one message may start a worker whose end sends the next


async def rest(pilot: Pilot[Any]) -> None:
    """Wait until nothing is left to do; a worker that a newer one took over from counts as done."""
    quiet = 0
    while quiet < QUIET_ROUNDS:
        # The watch goes on as long as it is wanted.
        while any(not w.is_finished for w in pilot.app.workers if w.group != "watch"):
            quiet = 0
            await asyncio.sleep(0.002)
        await pilot.pause()
        quiet += 1


async def press(pilot: Pilot[Any], *keys: str) -> None:
    """Press keys one after another, each time until its work is done."""
    for key in keys:
        await pilot.press(key)
        await rest(pilot)
