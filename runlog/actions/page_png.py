"""A night's time line as one PNG, for a forum or a message; matplotlib draws it."""

import io
from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

from runlog.actions.page import MARK, NOT_TEXT
from runlog.core.page.colours import LIGHT
from runlog.errors import UsageError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN, PANEL_IN, LANE_IN, DPI = 9.0, 1.15, 1.5, 150
MARKERS = {"keep": "o", "doubtful": "^", "reject": "x", "ungraded": "s"}
SIZES = {"keep": 14, "doubtful": 34, "reject": 30, "ungraded": 20}
Values = Mapping[str, Any]


def png_of(report: Values) -> bytes:
    """Draw the time line of the one night a report holds."""
    sheet = _only_sheet(report)
    block = next((b for b in sheet["blocks"] if b["kind"] == "time-line"), None)
    if block is None:
        raise UsageError("Nothing to draw: no light frame of this night tells its time")
    figure = _figure(report["title"], sheet, block)
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=DPI, metadata={"Software": MARK})
    return out.getvalue()


def _only_sheet(report: Values) -> Values:
    if report["about"] != "night":
        raise UsageError("--png draws the time line of a night, no season and no target")
    if len(report["rows"]) > 1:
        names = ", ".join(row["rig"] for row in report["rows"])
        raise UsageError(f"Several rigs worked in this night: {names}", cure="Choose one: --rig")
    sheet: Values = report["rows"][0]
    return sheet


def _figure(title: str, sheet: Values, block: Values) -> "Figure":
    try:
        from matplotlib.figure import Figure
    except ImportError:
        raise UsageError(
            "matplotlib draws PNG, and is not installed",
            cure="pip install 'runlog[png]'",
        ) from None
    panels = block["panels"]
    heights = [LANE_IN, *(PANEL_IN for _ in panels)]
    figure = Figure(figsize=(WIDTH_IN, sum(heights) + 1.2), layout="constrained")
    axes = figure.subplots(
        len(heights), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": heights}
    )[:, 0]
    figure.suptitle(_words(f"{title}\n{sheet['headline']}"), ha="left", x=0.02, fontsize=11)
    for one in axes:
        _ground(one, block)
    _lane(axes[0], block)
    for one, panel in zip(axes[1:], panels, strict=True):
        _panel(one, block, panel)
    marks = [_hours(hour["at_utc"], block) for hour in block["hours"]]
    axes[-1].set_xticks(marks, [hour["label"] for hour in block["hours"]])
    axes[-1].set_xlim(0, _hours(block["end_utc"], block))
    axes[-1].set_xlabel(_words(f"{sheet['rig']} · runlog"), fontsize=8, color=LIGHT["quiet"])
    return figure


def _words(text: str) -> str:
    """Take controls out, and what matplotlib would read as mathematics."""
    return NOT_TEXT.sub("\ufffd", text).replace("$", r"\$")


def _hours(moment: str, block: Values) -> float:
    start = datetime.fromisoformat(block["start_utc"])
    return (datetime.fromisoformat(moment) - start).total_seconds() / 3600


def _ground(axes: "Axes", block: Values) -> None:
    if block["dark"]:
        dark = (_hours(block["dark"][end], block) for end in ("start_utc", "end_utc"))
        axes.axvspan(*dark, color=LIGHT["night"], zorder=0)
    axes.tick_params(labelsize=8, colors=LIGHT["quiet"], length=2)
    for side in axes.spines.values():
        side.set_visible(False)
    axes.grid(color=LIGHT["hair"], linewidth=0.6)


def _lane(axes: "Axes", block: Values) -> None:
    """Draw the frames as they were taken, the events with their numbers, and the Moon."""
    axes.set_ylim(0, 4)
    axes.set_yticks([0.5], ["frames"])
    axes.grid(visible=False)
    for frame in block["frames"]:
        at, length = _hours(frame["at_utc"], block), (frame["length_s"] or 0.0) / 3600
        high = 0.7 if frame["grade"] == "keep" else 0.4
        axes.barh(0.5, length * 0.94, high, at, color=LIGHT[frame["grade"]], align="center")
    for place, event in enumerate(block["events"]):
        first, last = (_hours(event[end], block) for end in ("start_utc", "end_utc"))
        last = first if event["moment"] else last
        y = 1.5 + 0.7 * (place % 2)
        axes.plot([first, last], [y, y], color=LIGHT["event"], linewidth=1.5)
        style = {"boxstyle": "circle,pad=0.15", "facecolor": LIGHT["event"], "linewidth": 0}
        middle, number = (first + last) / 2, str(event["no"])
        axes.text(middle, y, number, color=LIGHT["paper"], fontsize=7, bbox=style, **CENTRED)
    moon = [(_hours(at["at_utc"], block), at["alt_deg"]) for at in block["moon"]]
    if any(altitude > 0 for _, altitude in moon):
        heights = [2.7 + max(altitude, 0.0) / 90 * 1.2 for _, altitude in moon]
        axes.plot([at for at, _ in moon], heights, "--", color=LIGHT["moon"], linewidth=1.2)
        axes.text(0.01, 0.9, "Moon", color=LIGHT["moon"], fontsize=8, transform=axes.transAxes)


CENTRED: Any = {"ha": "center", "va": "center"}


def _panel(axes: "Axes", block: Values, panel: Values) -> None:
    axes.set_title(panel["name"], loc="left", fontsize=8, color=LIGHT["ink"], pad=2)
    axes.set_ylim(panel["low"], panel["high"])
    xs = [_hours(frame["at_utc"], block) for frame in block["frames"]]
    for limit in panel["limits"]:
        values = [float("nan") if v is None else v for v in limit["values"]]
        axes.plot(xs, values, "--", color=LIGHT["limit"], linewidth=1)
    for grade, marker in MARKERS.items():
        own = [
            (x, min(max(value, panel["low"]), panel["high"]))
            for x, value, frame in zip(xs, panel["values"], block["frames"], strict=True)
            if value is not None and frame["grade"] == grade
        ]
        if own:
            edge = {"edgecolors": LIGHT["doubtful-edge"]} if grade == "doubtful" else {}
            style: Any = {"color": LIGHT[grade], "marker": marker, "s": SIZES[grade], **edge}
            axes.scatter(*zip(*own, strict=True), zorder=3, label=grade, clip_on=False, **style)
