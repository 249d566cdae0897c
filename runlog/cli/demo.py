"""runlog demo: make sample nights, scan them, show the result."""

import os
import time
from pathlib import Path

import click

from runlog.cli.common import Session, show, talk, with_session
from runlog.cli.plain_table import table
from runlog.cli.progress import progress_bar
from runlog.cli.scan import run_scan, tell
from runlog.errors import ExitCode


@click.command("demo")
@click.argument("folder", default="runlog-demo", type=click.Path(file_okay=False))
@click.option("--nights", default=3, show_default=True, type=click.IntRange(1, 5))
@click.option("--seed", default=7, show_default=True, help="Another seed, other nights.")
@with_session
def command(session: Session, folder: str, nights: int, seed: int) -> int:
    """Make sample nights in FOLDER (runlog-demo), scan them and show the result.

    The frames are drawn, not taken. Their database lies beside them, so your own stays as it is.
    """
    from runlog.actions.demo import make_samples

    began = time.monotonic()
    base = Path(folder).absolute()
    talk(f"Drawing {nights} sample nights in {base} ...")
    with progress_bar() as bar:
        make_samples(base / "nights", nights, seed, lambda done, total: bar("drawing", done, total))
    own = Session(str(base / "demo.sqlite"), session.config, session.settings)
    result = run_scan(own, (os.fsencode(base / "nights"),))
    tell(result)
    _show(own)
    talk(
        f"Done in {time.monotonic() - began:.0f} s. Go on with:",
        f"  runlog --db {base / 'demo.sqlite'}                          (the terminal interface)",
        f"  runlog --db {base / 'demo.sqlite'} frames --grade reject",
    )
    return ExitCode.DONE


def _show(session: Session) -> None:
    from rich.text import Text

    from runlog.actions.night import night_reports
    from runlog.actions.totals import total_rows
    from runlog.cli.night import show_report
    from runlog.cli.totals import DROP, SHOWN

    engine = session.engine()
    for report in night_reports(engine, session.settings):
        show_report(report)
    show(Text("All nights", style="bold"), table(total_rows(engine), SHOWN, DROP))
