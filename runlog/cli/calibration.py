"""runlog calibration: which calibration frames fit the lights, and what is missing."""

from typing import Any

import click

from runlog.cli.common import Session, echo_csv, echo_json, listing, show, table, talk, with_session

SHOWN = (
    "filter exposure_s gain set_c rotator_deg frames darks flats flat_darks bias missing notes"
).split()


@click.command("calibration")
@click.option("--missing", "only_missing", is_flag=True, help="Only what lacks something.")
@listing
@with_session
def command(session: Session, as_json: bool, as_csv: bool, only_missing: bool) -> int:
    """Show, for every group of kept lights, which darks, flats, flat-darks and bias fit.

    What must agree, how many are enough and how old they may be is set under [calibration] in the
    config file. Masters count.
    """
    from runlog.actions.calibration import CALIBRATION_KEYS, calibration_rows

    rows = calibration_rows(session.engine(), session.settings)
    rows = [row for row in rows if row["missing"] or not only_missing]
    if as_json:
        echo_json("runlog.calibration/1", {"rows": rows})
    elif as_csv:
        echo_csv(rows, CALIBRATION_KEYS)
    elif not rows:
        talk("Nothing is missing." if only_missing else "No light frame is kept yet.")
    else:
        _show(rows)
    return 0


def _show(rows: list[dict[str, Any]]) -> None:
    from rich.text import Text

    for rig in sorted({row["rig"] for row in rows}):
        own = [_plain(row) for row in rows if row["rig"] == rig]
        keys = [k for k in SHOWN if any(row[k] not in (None, [], "") for row in own)]
        show(Text(rig, style="bold"), table(own, keys))


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    return row | {kind: _count(row[kind]) for kind in ("darks", "flats", "flat_darks", "bias")}


def _count(found: dict[str, Any]) -> str:
    masters = f"{found['masters']} master{'s' * (found['masters'] != 1)}"
    if found["frames"] and found["masters"]:
        return f"{found['frames']} + {masters}"
    return masters if found["masters"] else str(found["frames"])
