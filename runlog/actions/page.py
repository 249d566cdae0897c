"""Write a page: from a published report to one file that holds all it needs."""

import re
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from runlog.core.page.colours import DARK, LIGHT, as_css
from runlog.core.page.view import SIGNS, view_of

if TYPE_CHECKING:
    from jinja2 import Environment

MARK = "runlog report"  # by which a file is known to be ours
# What HTML may not hold (13.2.3.5 of its standard): controls, halves of pairs, non-characters; and
# marks that turn the direction of what follows, so that it reads as something else.
NOT_TEXT = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff"
    "\ufdd0-\ufdef\ufffe\uffff]"
)


def html_of(report: Mapping[str, Any]) -> str:
    """Render `runlog.report/1`; nothing else is known here."""
    environment = _environment()
    text = environment.get_template("page.html").render(page=view_of(report), css=_css(), mark=MARK)
    return NOT_TEXT.sub("\ufffd", text)


@cache
def _environment() -> "Environment":
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("runlog", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    made.globals["signs"] = SIGNS
    made.globals["none"] = None
    return made


def _css() -> Any:
    """Give the style sheet with both palettes; it is ours, and holds nothing from outside."""
    from markupsafe import Markup

    text = files("runlog").joinpath("templates", "page.css").read_text(encoding="utf-8")
    # The words stand for themselves: no colour is written in the style sheet.
    filled = text.replace("LIGHT", as_css(LIGHT)).replace("DARK", as_css(DARK))
    return Markup(filled)  # nosec B704 - our own style sheet
