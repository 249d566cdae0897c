"""The colours of a page, light and dark, which stands on which, and how far they are apart.

Contrasts are those of WCAG 2.2 (1.4.3 and 1.4.11): 4.5 to 1 for text, 3 to 1 for what a chart is
read by. The hues are Okabe and Ito's (2008) where these stand out enough on the ground; orange,
yellow and sky blue do not on white, so that doubtful frames get a dark outline and a shape.
"""

from collections.abc import Iterator, Mapping

TEXT_LEAST, GRAPHIC_LEAST = 4.5, 3.0

Palette = Mapping[str, str]
LIGHT: Palette = {
    "paper": "#ffffff",
    "desk": "#eceff3",  # around the sheets
    "ink": "#15202b",
    "quiet": "#4c5966",  # words that are not the news
    "hair": "#c9d1da",  # rules that only part things
    "axis": "#7b8794",
    "night": "#e6ecf4",  # the dark of the night, behind what happened in it
    "moon": "#6d5a8c",
    "moonlit": "#d9d3e6",
    "keep": "#0072b2",
    "doubtful": "#e69f00",
    "doubtful-edge": "#6b4700",
    "reject": "#c04f00",
    "ungraded": "#5d6772",
    "good": "#00704f",
    "fair": "#6b4700",
    "poor": "#a63f00",
    "event": "#15202b",
    "limit": "#a63f00",
}
DARK: Palette = {
    "paper": "#11161d",
    "desk": "#080b0f",
    "ink": "#e8ecf1",
    "quiet": "#a9b4c0",
    "hair": "#313b47",
    "axis": "#76838f",
    "night": "#1d2735",
    "moon": "#b7a3d8",
    "moonlit": "#342d47",
    "keep": "#56b4e9",
    "doubtful": "#e69f00",
    "doubtful-edge": "#ffd37a",
    "reject": "#ff8a4c",
    "ungraded": "#98a4b0",
    "good": "#35c795",
    "fair": "#f0b73c",
    "poor": "#ff9a66",
    "event": "#e8ecf1",
    "limit": "#ff9a66",
}
# Which colours are read as text, and which as marks; on which grounds.
TEXT_ON: Mapping[str, tuple[str, ...]] = {
    "ink": ("paper", "desk", "night"),
    "quiet": ("paper", "desk", "night"),
    "good": ("paper",),
    "fair": ("paper",),
    "poor": ("paper",),
    "moon": ("paper", "night"),
    "paper": ("event",),
}
MARKS_ON: Mapping[str, tuple[str, ...]] = {
    "axis": ("paper", "night"),
    "moon": ("paper", "night", "moonlit"),
    "keep": ("paper", "night"),
    "doubtful-edge": ("paper", "night"),
    "reject": ("paper", "night"),
    "ungraded": ("paper", "night"),
    "event": ("paper", "night", "moonlit"),
    "limit": ("paper", "night"),
    "good": ("paper",),
    "fair": ("paper",),
    "poor": ("paper",),
}
# What is decoration: it parts or fills what other marks and words tell.
DECORATION = ("hair", "doubtful", "night", "moonlit", "paper", "desk")


def luminance(colour: str) -> float:
    """Give the relative luminance of #rrggbb, 0 to 1 (WCAG 2.2, definition)."""
    channels = (int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5))
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    """Give the contrast of two colours, 1 to 21 (WCAG 2.2, definition)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def pairs() -> Iterator[tuple[str, str, float]]:
    """List what stands on what, and the least contrast it must have."""
    for on, least in ((TEXT_ON, TEXT_LEAST), (MARKS_ON, GRAPHIC_LEAST)):
        for name, grounds in on.items():
            for ground in grounds:
                yield name, ground, least


def as_css(palette: Palette) -> str:
    """Write a palette as properties of a style sheet."""
    return "".join(f"--{name}:{colour};" for name, colour in palette.items())
