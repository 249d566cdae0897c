"""runlog calibration: which calibration frames fit the lights, and what is missing."""

from typing import TYPE_CHECKING, Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import Session, echo_csv, echo_json, listing, safe, show, talk, with_session
from runlog.cli.plain_table import table

if TYPE_CHECKING:
    from runlog.actions.judged_calibration import Judged
    from runlog.core.calibration.fit import Calibration

KINDS = "darks flats flat_darks bias".split()
DROP = "rotator_deg gain set_c frames exposure_s"
SHOWN = ["filter", "exposure_s", "gain", "set_c", "rotator_deg", "frames", *KINDS]


@click.command("calibration")
@click.option("--missing", "only_missing", is_flag=True, help="Only what lacks something.")
@choosing(without="grade")  # only what is kept is calibrated
@listing
@with_session
def command(
    session: Session, as_json: bool, as_csv: bool, only_missing: bool, asked: dict[str, Any]
) -> int:
    """Show, for every group of kept lights, which darks, flats, flat-darks and bias fit.

    Frames that may not be fit for use are named below, with the reason; masters are not judged.
    What must agree, how many are enough and how old they may be is set under [calibration] in the
    config file. Masters count. The options choose lights; what fits them is looked for everywhere.
    """
    from runlog.actions.calibration import CALIBRATION_KEYS, calibrations, row_of
    from runlog.actions.judged_calibration import finding_row, judged_calibration

    engine = session.engine()
    chosen = session.selection(engine, asked)
    found = calibrations(engine, session.settings, chosen)
    found = [c for c in found if c.lacks or not only_missing]
    judged = judged_calibration(engine, [c.lights for c in found], chosen, session.settings)
    rows = [row_of(c, judged.findings) for c in found]
    if as_json:
        echo_json(
            "runlog.calibration/1",
            {
                "rows": rows,
                "judged": [*map(finding_row, judged.findings)],
                "judged_since": judged.since,
            },
        )
    elif as_csv:
        echo_csv(rows, CALIBRATION_KEYS)
    elif not found and only_missing:
        talk("Nothing is missing.")
    elif not found:
        talk(f"No light frame {'' if chosen.asks_nothing else 'that fits '}is kept yet.")
    else:
        _show(found)
    if not (as_json or as_csv or only_missing):
        _show_judged(judged)
    return 0


def _show(found: list["Calibration"]) -> None:
    from rich.text import Text

    for rig in sorted({c.lights.rig for c in found}):
        own = [c for c in found if c.lights.rig == rig]
        rows = [_plain(c) for c in own]
        keys = [k for k in SHOWN if any(row[k] is not None for row in rows)]
        show(Text(safe(rig), style="bold"), table(rows, keys, DROP))
        _list("To take", _to_take(own))
        _list("To know", list(dict.fromkeys(note for c in own for note in c.notes)))


def _show_judged(judged: "Judged") -> None:
    found = judged.findings
    _list("Doubtful calibration frames", [f.in_words for f in found if not f.unknown])
    _list("Not known of calibration frames", [f.in_words for f in found if f.unknown])
    if judged.since:
        talk(
            f"Calibration frames from before {judged.since} are not judged here; those for older "
            "lights: runlog calibration --since DATE"
        )


def _to_take(found: list["Calibration"]) -> list[str]:
    from runlog.core.calibration.missing import to_take

    return to_take(lack for c in found for lack in c.lacks)


def _list(head: str, lines: list[str]) -> None:
    from rich.text import Text

    if lines:
        show(Text(head, style="bold"), *(Text(f"  {safe(line)}") for line in lines))


def _plain(found: "Calibration") -> dict[str, Any]:
    from runlog.actions.calibration import row_of

    row = row_of(found)
    return row | {kind: _count(row[kind]) for kind in KINDS}


def _count(found: dict[str, Any]) -> str:
    """Write how many fit, and of how many where they are too few."""
    masters = f"{found['masters']} master{'s' * (found['masters'] != 1)}"
    if found["masters"]:
        return f"{found['frames']} + {masters}" if found["frames"] else masters
    few = not found["enough"] and found["wanted"] and found["frames"] < found["wanted"]
    return f"{found['frames']} of {found['wanted']}" if few else str(found["frames"])
