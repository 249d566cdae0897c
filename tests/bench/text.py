"""Drawn texts and names through the escape of CSV and the names of link trees: what held.

python -m tests.bench.text [--texts 200000] [--seed 20261127]
"""

import argparse
import csv
import io
import os
import random
import re
from collections.abc import Callable, Iterator

from runlog.core.escape import escaped, unescaped
from runlog.core.ledger.link_names import Keeper, places

SEED, TEXTS, TREE = 20261127, 200_000, 40
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
SIGNS = tuple("=+-@＝＋－＠")
ORDERS = ("../", "..", "/", "\\", "-rf", "~", "\n", "\x1b]0;T\x07", "\x1b[31m", "\x9b", "\u202e",
          "=1+1", ";=1", "@A1", "\\u003d", "\\", '"', "'", ",", ";", "|", "nul", " ", ".", "M 33",
          "m 33", "Hα", "🌌", "\udce9", "\U000e0041", "n" * 250)  # fmt: skip


def texts(count: int, seed: int) -> Iterator[str]:
    """Draw texts of any characters, and of what terminals, shells, sheets and disks obey."""
    drawn = random.Random(seed)
    for _ in range(count):
        parts = drawn.choices(ORDERS, k=drawn.randrange(4))
        parts += [chr(drawn.randrange(0x300)) for _ in range(drawn.randrange(6))]
        parts += [chr(drawn.choice((0x2028, 0xFEFF, 0xDC80, 0x10FFFF, 0x3000)))] * (not parts)
        drawn.shuffle(parts)
        yield "".join(parts)


def is_reversible(text: str) -> bool:
    """Tell whether text comes back."""
    return unescaped(escaped(text)) == text


def is_one_line(text: str) -> bool:
    """Tell whether what is written can be printed, and encoded."""
    written = escaped(text)
    return written.isprintable() and bool(written.encode() or not text)


def is_not_reckoned(text: str) -> bool:
    """Tell whether no cell begins with a sign, read with any of the usual separators."""
    line = io.StringIO()
    csv.writer(line, lineterminator="\n").writerow(["a", escaped(text), "b"])
    cells = (c for end in ",;\t|" for c in next(csv.reader([line.getvalue()], delimiter=end)))
    return all(not c.lstrip("\"' ").startswith(SIGNS) or NUMBER.fullmatch(c) for c in cells)


def file_name(text: str) -> bytes:
    """Make a name that a file can have: of bytes, without / and null, and no folder's own."""
    name = os.fsencode(text.replace("/", "").replace("\0", ""))[:255]
    return name if name.strip(b".") else b"f" + name


def trees_hold(drawn: list[str]) -> int:
    """Count trees in which each target has one folder inside the tree, each file one place."""
    held = 0
    for start in range(0, len(drawn), TREE):
        wanted = sorted(set(drawn[start : start + TREE]))
        named = map(file_name, wanted)
        frames = [
            Keeper(f"{n:032x}"[::-1], b"/x/" + name, text, "L", "2026-10-09", 1.0, None)
            for n, (text, name) in enumerate(zip(wanted, named, strict=True))
        ]
        made = [place for _, place in places(frames)]
        folders = {place[0].decode().casefold() for place in made}
        inside = all(b"/" not in part and part not in (b".", b"..") and 0 < len(part) <= 255
                     for place in made for part in place)  # fmt: skip
        held += len(folders) == len(wanted) and inside
    return held


def main() -> None:
    """Draw, try, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--texts", type=int, default=TEXTS)
    parser.add_argument("--seed", type=int, default=SEED)
    asked = parser.parse_args()
    drawn = list(texts(asked.texts, asked.seed))
    kinds: dict[str, Callable[[str], bool]] = {
        "text comes back from CSV": is_reversible,
        "one line that can be printed": is_one_line,
        "no cell that a spreadsheet reckons": is_not_reckoned,
    }
    print(f"seed {asked.seed}\n{'':<36}{'tried':>9}{'held':>9}")
    for name, holds in kinds.items():
        print(f"{name:<36}{len(drawn):>9}{sum(map(holds, drawn)):>9}")
    trees = -(-len(drawn) // TREE)
    print(f"{f'trees of {TREE} hostile targets':<36}{trees:>9}{trees_hold(drawn):>9}")


if __name__ == "__main__":
    main()
