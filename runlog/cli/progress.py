"""A progress bar with rate and time left, on stderr."""

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager

# (stage, done, total or None while it is not known)
Report = Callable[[str, int, int | None], None]


@contextmanager
def progress_bar() -> Iterator[Report]:
    """Show stage, count, rate and time left; silent where stderr is not a terminal."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TaskID,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]}"),
        TimeRemainingColumn(),
        TextColumn("left"),
    )
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not _shown()) as bar:
        stages: dict[str, TaskID] = {}

        def report(stage: str, done: int, total: int | None) -> None:
            if stage not in stages:
                for earlier in stages.values():
                    bar.update(earlier, visible=False)
                stages[stage] = bar.add_task(stage, total=None, rate="")
            speed = bar.tasks[stages[stage]].speed
            rate = f"{speed:.1f}/s" if speed else ""
            bar.update(stages[stage], completed=done, total=total, rate=rate)

        yield report


@contextmanager
def grading_bar() -> Iterator[Callable[[int, int], None]]:
    """Show how many nights are graded again, from the first one on."""
    with progress_bar() as bar:
        yield lambda done, total: bar("grading", done, total)


@contextmanager
def grading_bar_if_any() -> Iterator[Callable[[int, int], None]]:
    """Show the same from the first report on: most commands find nothing to grade."""
    with ExitStack() as shown:
        bars: list[Callable[[int, int], None]] = []

        def report(done: int, total: int) -> None:
            if not bars:
                bars.append(shown.enter_context(grading_bar()))
            bars[0](done, total)

        yield report


def _shown() -> bool:
    return sys.stderr.isatty()
