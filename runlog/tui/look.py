"""Colours and signs. A grade always has a word or a sign beside its colour."""

from dataclasses import dataclass

# Okabe and Ito 2008, "Color Universal Design": told apart by every kind of colour vision. They are
# lightened for a dark ground, darkened for a light one, until text in them stands out of what it is
# written on by 4.5 : 1 at least (WCAG 2.2, 1.4.3), be that the row under the cursor; the hues stay.
ORANGE = "#E69F00"

SIGNS = {"keep": "+", "doubtful": "?", "reject": "×", "ungraded": "·"}
OPINION_SIGNS = {"good": "+", "fair": "~", "poor": "×", "unknown": "·"}


@dataclass(frozen=True, slots=True)
class Look:
    """The colours of one shade of the interface; empty strings where there is no colour."""

    keep: str
    doubtful: str
    reject: str
    accent: str
    quiet: str
    text: str
    ground: str
    raised: str
    cursor: str

    def grade(self, grade: str) -> str:
        """Colour of a grade."""
        return {"keep": self.keep, "doubtful": self.doubtful, "reject": self.reject}.get(
            grade, self.quiet
        )

    def opinion(self, opinion: str) -> str:
        """Colour of a verdict."""
        return {"good": self.keep, "fair": self.doubtful, "poor": self.reject}.get(
            opinion, self.quiet
        )


DARK = Look(
    keep="#2FC79B", doubtful=ORANGE, reject="#F98550", accent="#62BEF0", quiet="#93A0B5",
    text="#D5DCE8", ground="#0B111C", raised="#141D2E", cursor="#1E3852",
)  # fmt: skip
# The same hues, darker, so that they read on paper white.
LIGHT = Look(
    keep="#00694A", doubtful="#7D5300", reject="#A04300", accent="#00639B", quiet="#59626F",
    text="#1B2430", ground="#FAF9F5", raised="#EFEDE6", cursor="#D3E6F4",
)  # fmt: skip
# No colour at all: words, signs, bold and reverse carry everything.
PLAIN = Look("", "", "", "", "", "", "", "", "")


THEMES = {"runlog-dark": DARK, "runlog-light": LIGHT}
