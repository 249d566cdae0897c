"""Words that capture sequences add to a target's name: filter, length, settings, and the panel."""

import re

FILTER_WORDS = frozenset(
    "l lum luma luminance r red g green b blue ha halpha alpha h oiii o3 sii s2 nii hb hbeta o s "
    "rgb lrgb hoo sho hso hargb narrowband broadband nb bb osc clear uv ir uvir irpass duo dual "
    "duoband dualband triband quadband".split()
)
OTHER_WORDS = frozenset(
    "light lights lightframe frame frames sub subs exposure exposures exp seq sequence session "
    "capture image img target object mosaic panel panels tile project final test sec secs seconds "
    "fit fits".split()
)
_SETTINGS = re.compile(
    r"(?:\d+(?:\.\d+)?(?:s|sec|secs|min|ms)|\d{1,3}x\d{1,4}s?|bin\d|gain\d+|g\d{2,}|offset\d+|iso\d+"
    r"|-?\d{1,2}(?:\.\d)?c|\d{1,2}(?:\.\d)?nm|night\d*|n\d{1,2}|f\d(?:\.\d)?|0\d{2,}|(?:19|20)\d{6}"
    r"|(?:19|20)\d\d-\d\d-\d\d(?:t[\d\-:.]+)?)\Z"
)
_PANEL_WORD = r"(?<![a-z])(?:panel|pane|pnl|tile|mosaic|mos|feld|segment)"
_END = r"(?![0-9a-z])"
_PANEL = re.compile(
    _PANEL_WORD + r"[\s_\-#.]*0*(?P<row>[0-9]{1,2})\s?[x\-]\s?(?P<column>[0-9]{1,2})" + _END
    + r"|" + _PANEL_WORD + r"[\s_\-#.]*0*(?P<number>[1-9][0-9]?)"
    + r"(?:\s?(?:of|/)\s?[0-9]{1,2})?" + _END
    + r"|" + _PANEL_WORD + r"[\s_\-#.]+(?P<letter>[a-z])" + _END
    + r"|(?<![a-z0-9])p0*(?P<short>[1-9][0-9]?)" + _END
    + r"|[(\[]\s?0*(?P<part>[1-9][0-9]?)\s?(?:of|/)\s?[0-9]{1,2}\s?[)\]]"
    + r"|(?<![0-9a-z])0*(?P<of>[1-9][0-9]?)\s?of\s?[0-9]{1,2}" + _END,
    re.IGNORECASE,
)  # fmt: skip
_PANEL_NAME = re.compile(r"(?P<base>.+) panel (?P<panel>\d{1,2}(?:-\d{1,2})?|[A-Z])\Z")


def find_panel(text: str) -> tuple[str, str | None]:
    """Take a mosaic's panel out of a name: the rest, and "2", "1-3" or "B"; None without one."""
    spaced = re.sub(r"(?<=[a-z])_(?=[0-9])", " ", text) if "_" in text else text
    match = _PANEL.search(spaced)
    if match is None:
        return text, None
    rest = f"{spaced[: match.start()]} {spaced[match.end() :]}"
    if match["row"]:
        return rest, f"{int(match['row'])}-{int(match['column'])}"
    if match["letter"]:
        return rest, match["letter"].upper()
    return rest, str(int(match["number"] or match["short"] or match["part"] or match["of"]))


def with_panel(base: str, panel: str | None) -> str:
    """Name a panel of a mosaic."""
    return base if panel is None else f"{base} panel {panel}"


def split_panel(name: str) -> tuple[str, str | None]:
    """Undo `with_panel` on a target's name."""
    match = _PANEL_NAME.match(name)
    return (name, None) if match is None else (match["base"], match["panel"])


def is_setting(word: str) -> bool:
    """Tell whether a word of a name says how a frame was taken, not what of."""
    low = word.lower()
    return low in FILTER_WORDS or low in OTHER_WORDS or _SETTINGS.match(low) is not None


def without_settings(text: str) -> list[str]:
    """Split a name into its words, those that only say how frames were taken left out."""
    words = [w for w in re.split(r"[\s_,;:()\[\]&+=]+|(?<![0-9])-|-(?![0-9])", text) if w]
    return [w for w in words if not is_setting(w)]
