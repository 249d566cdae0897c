"""Names that try to be more than names: what a header or a path can hold at its worst."""

import os
from pathlib import Path
from typing import Any

from tests.tools import moment, noise, write_frame

# What a terminal, a shell, a spreadsheet or a path would obey. Each is a title, a colour, a bell,
# the clipboard, a window's answer, a bidi mark, markup, a formula, an option, a way out.
TEXTS = (
    "\x1b]0;TITLE\x07M1",
    "\x1b[31;5mRED\x1b[0m",
    "\x1b]52;c;Y2xpcA==\x07clip",
    "\x9b6nC1",
    "[bold red]B[/] [@click=app.quit]q[/]",
    "=HYPERLINK(1;2)",
    "x;=1+1",
    "@SUM(A1)",
    "-rf",
    "+1 a",
    "../../up",
    "a/b",
    "a:b",
    "..",
    "$(touch no)`touch no`",
    "two\nlines\r\n\ttab",
    "back\\slash\\u003d",
    "quo\"te's",
    "\x00\x7f nul",
)
# A file system allows more than a header: all but / and the null byte, and no UTF-8 is asked.
NAMES = (
    b"-rf",
    b"=1+1",
    b"two\nlines",
    b"\x1b]0;TITLE\x07esc",
    "bidi\u202egpj".encode(),
    b"caf\xe9",
    b"back\\slash\\u0041",
    b"n" * 250,
    b"$(touch no)",
    b"A",
    b"a",
)
PLACEHOLDER = "Q" * 60


def header_bytes(text: str) -> bytes:
    """Write text as a card's value would hold it, whatever the standard says."""
    return text.replace("'", "''").encode("utf-8", "surrogateescape")


def write_hostile(path: Path | bytes, number: int, **texts: str) -> bytes:
    """Write a light frame whose cards hold texts no honest writer would put there."""
    placed = {key: f"{chr(65 + n)}{PLACEHOLDER}" for n, key in enumerate(texts)}
    plain = write_frame(
        Path(os.fsdecode(os.path.dirname(os.fsencode(path)))) / f"plain_{number}.fits",
        noise(number),
        DATE__OBS=moment(number * 312.0),
        **placed,
    )
    data = plain.read_bytes()
    for key, text in texts.items():
        place, raw = placed[key].encode(), header_bytes(text)
        assert data.count(place) == 1
        data = data.replace(place, raw.ljust(len(place))[: len(place)])
    plain.unlink()
    with open(path, "wb") as file:
        file.write(data)
    return os.fsencode(path)


def write_night(folder: Path) -> list[bytes]:
    """Write frames with every text in every card that is shown, and every name."""
    folder.mkdir(parents=True, exist_ok=True)
    cards = ("OBJECT", "FILTER", "TELESCOP", "INSTRUME")
    paths = []
    for number, text in enumerate(TEXTS):
        said: dict[str, Any] = {cards[number % 4]: text, cards[(number + 1) % 4]: text}
        paths.append(write_hostile(folder / f"text_{number:02d}.fits", number, **said))
    for number, name in enumerate(NAMES):
        at = os.path.join(os.fsencode(folder), name[:250] + b".fits")
        paths.append(write_hostile(at, 100 + number))
    return paths
