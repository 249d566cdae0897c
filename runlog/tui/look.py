"""Colours and signs. A grade always has a word or a sign beside its colour."""

from dataclasses import dataclass

# Okabe and Ito 2008, "Color Universal Design": told apart by every kind of colour vision. Bluish
# green and vermillion are lightened for a dark ground, darkened for a light one; the hues stay.
ORANGE, SKY, BLUE = "#E69F00", "#56B4E9", "#0072B2"

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
    keep="#2BBD92", doubtful=ORANGE, reject="#F0743A", accent=SKY, quiet="#7F8CA3",
    text="#D5DCE8", ground="#0B111C", raised="#141D2E", cursor="#23405E",
)  # fmt: skip
# The same hues, darker, so that they read on paper white.
LIGHT = Look(
    keep="#00714F", doubtful="#8F5F00", reject="#B04A00", accent=BLUE, quiet="#66707F",
    text="#1B2430", ground="#FAF9F5", raised="#EFEDE6", cursor="#CFE3F2",
)  # fmt: skip
# No colour at all: words, signs, bold and reverse carry everything.
PLAIN = Look("", "", "", "", "", "", "", "", "")


THEMES = {"runlog-dark": DARK, "runlog-light": LIGHT}
