"""A table of rigs and of all of them, below what is listed of several."""

from typing import Any

from runlog.cli.common import show
from runlog.cli.hour_columns import spoken, with_ungraded
from runlog.cli.plain_table import table

SHOWN = "rig nights frames logged_s kept_s doubtful_s rejected_s share_kept".split()
DROP = "share_kept frames logged_s doubtful_s rejected_s ungraded_s nights"


def show_rigs(rows: list[dict[str, Any]]) -> None:
    """Show what each rig has and what all have; a single rig has nothing to be told apart."""
    from rich.text import Text

    rigs = len(rows) - 1  # the last row is of all of them
    if rigs < 2:
        return
    said = [row | {"rig": row["rig"] or f"all {rigs} rigs"} for row in spoken(rows)]
    show(Text("\nBy rig", style="bold"), table(said, with_ungraded(SHOWN, rows), DROP))
