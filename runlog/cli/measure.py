"""runlog measure: measure files without a database."""

import os

import click

from runlog.cli.common import Session, echo_csv, echo_json, listing, safe, show, talk, with_session
from runlog.cli.plain_table import table
from runlog.cli.second_opinion import side_by_side
from runlog.errors import ExitCode

SHOWN = "path kind filter fwhm_px fwhm_arcsec eccentricity background_adu noise_adu".split()
DROP = "noise_adu filter kind fwhm_arcsec background_adu"


@click.command("measure")
@click.argument(
    "files", nargs=-1, required=True, type=click.Path(path_type=bytes), metavar="FILE..."
)
@click.option(
    "--second-opinion",
    is_flag=True,
    help="Measure them with photutils too and show both, with what differs by definition.",
)
@listing
@with_session
def command(
    session: Session,
    files: tuple[bytes, ...],
    second_opinion: bool,
    as_json: bool,
    as_csv: bool,
) -> int:
    """Measure FITS files; nothing is stored and nothing is compared with a run."""
    from runlog.actions.measure import measured_rows
    from runlog.core.published import ROW_KEYS

    rows = measured_rows(files, session.settings, second_opinion=second_opinion)
    if as_json:
        echo_json("runlog.measure/1", {"rows": rows})
    elif as_csv:
        echo_csv(rows, [*ROW_KEYS, "second_opinion"] if second_opinion else ROW_KEYS)
    else:
        read = [row | {"path": os.path.basename(row["path"])} for row in rows if not row["error"]]
        if read:
            show(table(read, SHOWN, DROP))
            talk(*(safe(f"{row['path']}: {row['note']}") for row in read if row["note"]))
        for row in read if second_opinion else ():
            show(*side_by_side(row["path"], row["second_opinion"]))
    failed = [row for row in rows if row["error"]]
    for row in failed:
        talk(f"runlog: {safe(row['path'])}: {safe(row['error'])}")
    return ExitCode.SOME_FAILED if failed else ExitCode.DONE
