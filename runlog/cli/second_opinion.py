"""runlog's numbers and photutils' side by side, with what differs by definition."""

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from runlog.cli.common import safe
from runlog.core.columns import NOTHING, plural

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

# label, digits, and whether the difference is told in percent of ours
VALUES: Mapping[str, tuple[str, int, bool]] = {
    "background_adu": ("background ADU", 1, True),
    "noise_adu": ("noise ADU", 2, True),
    "stars": ("stars", 0, False),
    "sources": ("sources of any kind", 0, False),
    "listed_stars": ("listed stars seen", 0, False),
    "fwhm_px": ("FWHM px, fitted", 2, True),
    "fwhm_moments_px": ("FWHM px, moments", 2, True),
    "hfr_px": ("half-flux radius px", 2, True),
    "axis_ratio": ("axis ratio", 3, False),
    "eccentricity": ("eccentricity", 2, False),
    "flux_adu": ("light of a star ADU", 0, True),
}


def side_by_side(name: str, opinion: Mapping[str, Any]) -> "Iterator[RenderableType]":
    """Lay out one file's values: ours, photutils', the difference, and why they may differ."""
    from rich.text import Text

    version = opinion["photutils_version"]
    heading = f"{name}, measured again by photutils {version}" if version else name
    if opinion["stars_compared"]:
        heading += f"; medians of {plural(opinion['stars_compared'], 'star')} that both know"
    yield Text(f"\n{safe(heading)}", style="bold")
    known = [key for key in VALUES if opinion["values"][key]["photutils"] is not None]
    if known:
        yield _table(opinion["values"], known)
    if opinion["remark"]:
        yield Text(safe(opinion["remark"]))


def _table(values: Mapping[str, Any], known: Sequence[str]) -> "Table":
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("")
    for heading in ("runlog", "photutils", "difference"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("what differs by definition", ratio=1)
    for key in known:
        label, digits, _ = VALUES[key]
        value = values[key]
        both = (_number(value[who], digits) for who in ("runlog", "photutils"))
        table.add_row(label, *both, _difference(value, key), value["words"])
    return table


def _number(value: float | None, digits: int) -> str:
    return NOTHING if value is None else f"{value:.{digits}f}"


def _difference(value: Mapping[str, Any], key: str) -> str:
    _, digits, in_percent = VALUES[key]
    if value["difference"] is None:
        return NOTHING
    if in_percent and value["runlog"]:
        return f"{100 * value['difference'] / value['runlog']:+.1f} %"
    return f"{value['difference']:+.{digits}f}"
