"""Which frames of a night are shown, and how a stored preview becomes a small picture."""

import struct
import zlib
from base64 import b64encode
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

import numpy as np

from runlog.core.frame import Frame, Grade

Array = np.ndarray[Any, Any]
MOST_PICTURES = 6
WIDTH_PX = 240
MOST_BYTES = 40_000
GREYS = (128, 64, 32, 16, 8)  # the first that fits
DARK_PERCENTILE, BRIGHT_PERCENTILE = 2.0, 99.7


@dataclass(frozen=True, slots=True)
class Chosen:
    """A frame to show, and as what."""

    frame: Frame
    why: str


@dataclass(frozen=True, slots=True)
class PagePicture:
    """A small picture with its words; without bytes `trouble` says why."""

    why: str
    caption: str
    key: str
    png: bytes | None = None
    width: int = 0
    height: int = 0
    trouble: str = ""

    def as_row(self) -> dict[str, Any]:
        """Write it with its published keys."""
        return {
            "why": self.why,
            "caption": self.caption,
            "fingerprint": self.key,
            "png": None if self.png is None else b64encode(self.png).decode("ascii"),
            "width": self.width,
            "height": self.height,
            "trouble": self.trouble or None,
        }


def choose(lights: Sequence[Frame], causes: Mapping[str, str]) -> list[Chosen]:
    """Choose the best, the usual and the worst kept frame, and the worst of each fault once."""
    found = [*_kept(lights), *_faulty(lights, causes)]
    return found[:MOST_PICTURES]


def _kept(lights: Sequence[Frame]) -> Iterator[Chosen]:
    kept = [f for f in lights if f.judgement.grade is Grade.KEEP and f.measurement.fwhm_px]
    kept.sort(key=lambda f: (f.measurement.fwhm_px or 0.0, f.key))
    if kept:
        yield Chosen(kept[0], "sharpest kept")
    if len(kept) > 2:
        yield Chosen(kept[len(kept) // 2], "usual")
    if len(kept) > 1:
        yield Chosen(kept[-1], "widest kept")


def _faulty(lights: Sequence[Frame], causes: Mapping[str, str]) -> Iterator[Chosen]:
    """Show each cause by one frame, rejected before doubtful; the causes by how often they are."""
    by_cause: dict[str, list[Frame]] = {}
    for frame in lights:
        if frame.key in causes:
            by_cause.setdefault(causes[frame.key], []).append(frame)
    order = {Grade.REJECT: 0, Grade.DOUBTFUL: 1}
    for cause, frames in sorted(by_cause.items(), key=lambda item: (-len(item[1]), item[0])):
        frames.sort(key=lambda f: (order.get(f.judgement.grade, 2), *_middle(f, frames)))
        yield Chosen(frames[0], cause.replace("-", " "))


def _middle(frame: Frame, frames: Sequence[Frame]) -> tuple[float, str]:
    """Prefer a frame that shows what is usual for its cause, to one that shows the oddest."""
    widths = [f.measurement.fwhm_px for f in frames if f.measurement.fwhm_px]
    if not widths or not frame.measurement.fwhm_px:
        return 1e9, frame.key
    return abs(frame.measurement.fwhm_px - median(widths)), frame.key


# --- from codes to a picture ------------------------------------------------------------------


def small_grey(codes: Array) -> Array:
    """Shrink a picture to the width of a page's and stretch it from black to white.

    codes : (h, w) uint8 on the scale of stored previews, linear near the sky. Returns uint8.
    """
    factor = max(1, -(-codes.shape[1] // WIDTH_PX))
    height, width = (max(1, size // factor) for size in codes.shape)
    cut = codes[: height * factor, : width * factor].astype(np.float32)
    small = cut.reshape(height, -1, width, cut.shape[1] // width).mean(axis=(1, 3))
    black, white = np.percentile(small, [DARK_PERCENTILE, BRIGHT_PERCENTILE])
    share = np.clip((small - black) / max(float(white - black), 1.0), 0.0, 1.0)
    grey: Array = np.rint(share * 255).astype(np.uint8)
    return grey


def as_png(grey: Array, most_bytes: int = MOST_BYTES) -> bytes:
    """Write 8-bit grey as PNG, with as many greys as fit `most_bytes` (PNG 1.2)."""
    written = b""
    for greys in GREYS:
        step = 256 // greys
        written = _png(grey // step * step + step // 2)
        if len(written) <= most_bytes:
            break
    return written


def _png(grey: Array) -> bytes:
    height, width = grey.shape
    rows = np.empty((height, width + 1), np.uint8)
    rows[:, 0] = 0  # no filter: noise is no smoother for its neighbours
    rows[:, 1:] = grey
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    parts = ((b"IHDR", head), (b"IDAT", zlib.compress(rows.tobytes(), 9)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(*part) for part in parts)


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


Draw = Callable[[Frame], PagePicture]
