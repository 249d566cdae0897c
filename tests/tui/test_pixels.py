"""Pictures in the terminal's own pixels: asking for them, and the bytes they are written in."""

import fcntl
import io
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
import time
import unicodedata
from base64 import b64decode
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from PIL import Image

from runlog.tui import paint, pixels, terminal
from runlog.tui.pixel_rows import dots_of, rows_of
from runlog.tui.terminal import Form, Terminal, questions, understood

PALETTE = [(0, 0, 0), (51, 102, 153), (255, 255, 255), (204, 0, 255)]  # whole per cents
pictures = st.tuples(st.integers(1, 3), st.integers(1, 30)).flatmap(
    lambda size: arrays(np.uint8, (6 * size[0], size[1]), elements=st.integers(0, 3))
)

# --- asking ---------------------------------------------------------------------------------

KITTY_OK = "\x1b_Gi=31;OK\x1b\\"
CELL = "\x1b[6;20;10t"


@pytest.mark.parametrize(
    ("answer", "form"),
    [
        (CELL + "\x1b[?62;4;22c", Form.SIXEL),  # 4 among the attributes: VT340 manual, DA1
        (CELL + "\x1b[?4;6c", Form.BLOCKS),  # a first number says what kind of terminal it is
        (CELL + "\x1b[?1;2c", Form.BLOCKS),
        (KITTY_OK + CELL + "\x1b[?62;c", Form.KITTY),
        (KITTY_OK + CELL + "\x1b[?62;4c", Form.SIXEL),  # speaks both
        ("\x1b_Gi=31;ENOTSUPPORTED:no\x1b\\" + CELL + "\x1b[?62;c", Form.BLOCKS),
        ("\x1b[?62;4c", Form.BLOCKS),  # no size of a cell: a picture would not fit its place
        ("", Form.BLOCKS),
    ],
)
def test_answers(answer: str, form: Form) -> None:
    """Only a terminal that says so, and says how large its cells are, is sent pixels."""
    assert understood(answer).form is form


def test_what_was_typed_meanwhile_is_kept() -> None:
    """Keys between the answers are the person's."""
    found = understood("3" + KITTY_OK + "k" + CELL + "\x1b[?62;4c")
    assert (found.typed, found.cell) == ("3k", (10, 20))


def test_multiplexers_are_not_asked_what_they_take_for_a_title() -> None:
    """Kitty's question is left out in tmux and screen, where it would rename the window."""
    assert "\x1b_" in questions({"TERM": "xterm-kitty"})
    for environ in ({"TMUX": "/tmp/x,1,0", "TERM": "xterm"}, {"TERM": "screen.xterm"}):
        assert "\x1b_" not in questions(environ)


def test_asking_ends_with_the_last_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """It comes in pieces; nothing is waited for after it."""
    monkeypatch.setattr(terminal, "PATIENCE_S", 60.0)
    written: list[str] = []
    pieces = iter([CELL[:3], CELL[3:] + "\x1b[?62", ";4c"])
    answer = terminal.converse(written.append, lambda _: next(pieces), "ask")
    assert (answer, written) == (CELL + "\x1b[?62;4c", ["ask"])


def test_a_silent_terminal_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Patience ends, and there are blocks."""
    monkeypatch.setattr(terminal, "PATIENCE_S", 0.05)
    began = time.monotonic()
    answer = terminal.converse(lambda _: None, lambda left: time.sleep(left) or "", "ask")
    assert time.monotonic() - began < 2
    assert understood(answer).form is Form.BLOCKS


@pytest.mark.parametrize(
    "environ",
    [{"TERM": "xterm", "RUNLOG_PICTURES": "blocks"},
     {"TERM": "dumb"},
     {"TERM": "xterm", "NO_COLOR": "1"}],
)  # fmt: skip
def test_who_does_not_wish_for_pixels_is_left_alone(
    environ: Mapping[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """No question is written unless it is asked for, in a terminal that can answer."""
    monkeypatch.setattr(terminal, "_unbuffered", lambda: pytest.fail("asked"))
    monkeypatch.setattr(os, "isatty", lambda _: True)
    assert terminal.ask(environ) == Terminal()


# --- sixel ----------------------------------------------------------------------------------


def read_sixels(text: str) -> tuple[np.ndarray[Any, Any], dict[int, tuple[int, ...]]]:
    """Decode by hand: the VT340 Programmer Reference, chapter 14 (from memory).

    Returns colour numbers, -1 where nothing was drawn, and the registers in per cent.
    """
    whole = re.fullmatch(r'\x1bP0;1;0q"1;1;(\d+);(\d+)(.*)\x1b\\', text, re.DOTALL)
    assert whole is not None
    wide, high, body = int(whole[1]), int(whole[2]), whole[3]
    canvas = np.full((high, wide), -1)
    registers: dict[int, tuple[int, ...]] = {}
    x = y = color = 0
    token = re.compile(r"#(\d+)(?:;2;(\d+);(\d+);(\d+))?|!(\d+)([?-~])|([?-~])|([$-])")
    for found in token.finditer(body):
        if found[1]:
            color = int(found[1])
            if found[2]:
                registers[color] = (int(found[2]), int(found[3]), int(found[4]))
        elif found[8]:
            x, y = 0, y + 6 * (found[8] == "-")
        else:
            times, sign = int(found[5] or 1), found[6] or found[7]
            for bit in range(6):
                if (ord(sign) - 63) >> bit & 1:
                    canvas[y + bit, x : x + times] = color
            x += times
    assert token.sub("", body) == ""  # nothing in it is of another kind
    return canvas, registers


@given(pictures)
def test_sixels_decode_to_the_picture(codes: np.ndarray[Any, Any]) -> None:
    """Every dot comes back in its colour, and every dot is drawn."""
    canvas, registers = read_sixels(pixels.sixel(codes, PALETTE))
    assert np.array_equal(canvas, codes)
    assert registers == {
        i: tuple(round(v / 2.55) for v in color) for i, color in enumerate(PALETTE)
    }


def test_long_runs_are_short() -> None:
    """An even picture costs next to nothing over a slow link."""
    assert len(pixels.sixel(np.ones((600, 1000), np.uint8), PALETTE)) < 1200


# --- kitty ----------------------------------------------------------------------------------


@given(pictures)
def test_png_decodes_to_the_picture(codes: np.ndarray[Any, Any]) -> None:
    """Pillow reads the same colours."""
    with Image.open(io.BytesIO(pixels.png(codes, PALETTE))) as image:
        image.load()
        assert image.format == "PNG"
        assert np.array_equal(np.asarray(image.convert("RGB")), np.array(PALETTE)[codes])


def test_messages_make_one_png() -> None:
    """Chunks of 4096 at most, m=1 on all but the last, all keys on the first; no answer wanted."""
    codes = np.random.default_rng(1).integers(0, 4, (120, 200)).astype(np.uint8)
    sent = pixels.kitty(codes, PALETTE, 0x524C01, (20, 6))
    parts = re.findall(r"\x1b_G([^;]*);([^\x1b]*)\x1b\\", sent)
    assert "".join(f"\x1b_G{keys};{data}\x1b\\" for keys, data in parts) == sent
    first = dict(key.split("=") for key in parts[0][0].split(","))
    assert first == {"a": "T", "U": "1", "f": "100", "q": "2", "i": str(0x524C01),
                     "c": "20", "r": "6", "m": "1"}  # fmt: skip
    assert [keys for keys, _ in parts[1:]] == ["m=1"] * (len(parts) - 2) + ["m=0"]
    assert all(len(data) <= 4096 for _, data in parts)
    with Image.open(io.BytesIO(b64decode("".join(data for _, data in parts)))) as image:
        assert image.size == (200, 120)


def test_rows_are_signed_as_the_protocol_says() -> None:
    """Its table lists marks above a letter (combining class 230) by code, each once."""
    signs = pixels.ROW_SIGNS
    assert [unicodedata.combining(sign) for sign in signs] == [230] * len(signs)
    assert sorted(set(signs)) == list(signs)
    assert (signs[0], signs[1], len(signs)) == ("\u0305", "\u030d", 100)
    lines = list(pixels.placeholders((3, 2)))
    assert lines[1] == "\U0010eeee\u030d\u0305\U0010eeee\U0010eeee"


# --- sampling -------------------------------------------------------------------------------


def test_dots_average_the_pixels_they_cover() -> None:
    """Four by four pixels to a dot is their mean; pixels larger than dots are repeated."""
    image = np.random.default_rng(2).normal(900, 30, (40, 60)).astype(np.float32)
    found = pixels.fine(image, paint.Window(0, 0, 60, 40), (15, 10))
    means = image.reshape(10, 4, 15, 4).mean(axis=(1, 3))
    assert np.allclose(found, means, rtol=1e-5)
    found = pixels.fine(image, paint.Window(10, 5, 20, 10), (30, 15))
    assert np.array_equal(found, image[5:10, 10:20].repeat(3, 0).repeat(3, 1))


def test_outside_the_frame_is_nothing() -> None:
    """Bars beside a picture hold no number."""
    found = pixels.fine(np.ones((4, 4), np.float32), paint.Window(-4, 0, 8, 4), (12, 4))
    assert np.isnan(found[:, :4]).all() and np.isnan(found[:, 8:]).all()
    assert (found[:, 4:8] == 1).all()


@given(
    st.integers(1, 50), st.integers(1, 50), st.integers(1, 40), st.integers(1, 40),
    st.floats(-20, 40), st.floats(-20, 40), st.floats(0.5, 90), st.floats(0.5, 90),
)  # fmt: skip
def test_any_window_has_its_size(
    high: int, wide: int, across: int, down: int, x: float, y: float, w: float, h: float
) -> None:
    """Whatever is looked at, there are as many dots as asked for, and none is made up."""
    image = np.full((high, wide), 7.0, np.float32)
    found = pixels.fine(image, paint.Window(x, y, x + w, y + h), (across, down))
    assert found.shape == (down, across)
    assert set(np.unique(found[~np.isnan(found)])) <= {7.0}


# --- lines of the screen --------------------------------------------------------------------


@pytest.mark.parametrize("form", [Form.SIXEL, Form.KITTY])
def test_lines_take_the_room_of_cells(form: Form) -> None:
    """What is sent beside the text takes no room, so that nothing else on the screen moves."""
    able = Terminal(form, (10, 21))
    wide, high = dots_of((20, 6), able)
    assert (wide, high) == (200, 126)
    grey = np.full((high, wide), 255, np.uint8)
    lines = rows_of(grey, (3, 4), (20, 6), able, "#0B111C", 0x524C01)
    assert [line.cell_length for line in lines] == [20] * 6
    assert [sum(s.cell_length for s in line) for line in lines] == [20] * 6


# --- the interface on a terminal that answers -----------------------------------------------


QUIET_S, QUIET_BYTES = 0.7, 500  # a blinking cursor is all that comes when nothing is done


class Answering:
    """A terminal on the other end of a line: it answers what it is asked and keeps what it gets."""

    def __init__(self, database: Path, answers: Mapping[bytes, bytes]) -> None:
        self.answers, self.got = answers, b""
        self.line, far = pty.openpty()
        fcntl.ioctl(far, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 800, 480))
        environ = {k: v for k, v in os.environ.items() if k not in ("TMUX", "NO_COLOR")}
        environ |= {"TERM": "xterm-256color", "COLORTERM": "truecolor"}
        environ |= {"XDG_STATE_HOME": str(database.parent)}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "runlog", "--db", str(database)],
            stdin=far, stdout=far, stderr=far, env=environ, start_new_session=True,
            cwd=Path(__file__).parents[2],
        )  # fmt: skip
        os.close(far)

    def until(self, done: Callable[[bytes], object], since: int = 0) -> bytes:
        """Listen until what came since then is enough, and all of it has come."""
        end = time.monotonic() + 40
        while not done(self.got[since:]):
            assert time.monotonic() < end, self.got[since:][-2000:]
            self._listen(0.1)
        before = -QUIET_BYTES
        while len(self.got) - before >= QUIET_BYTES:
            before, until = len(self.got), time.monotonic() + QUIET_S
            while time.monotonic() < until:
                self._listen(0.1)
        return self.got[since:]

    def _listen(self, timeout_s: float) -> bool:
        if not select.select([self.line], [], [], timeout_s)[0]:
            return False
        data = os.read(self.line, 65536)
        self.got += data
        for question, answer in self.answers.items():
            if question in data:
                os.write(self.line, answer)
        return True

    def press(self, key: bytes, done: Callable[[bytes], object]) -> bytes:
        """Press a key and listen to what it brings."""
        since = len(self.got)
        os.write(self.line, key)
        return self.until(done, since)

    def close(self) -> None:
        """Hang up."""
        self.process.kill()
        self.process.wait()
        os.close(self.line)


@pytest.fixture
def answering(database: Path) -> Iterator[Callable[[Mapping[bytes, bytes]], Answering]]:
    """Open the interface on a terminal with some answers."""
    opened: list[Answering] = []

    def start(answers: Mapping[bytes, bytes]) -> Answering:
        opened.append(Answering(database, answers))
        return opened[-1]

    yield start
    for each in opened:
        each.close()


SIXELS = re.compile(rb"\x1b7\x1b\[(\d+);(\d+)H(\x1bP0;1;0q[^\x1b]*\x1b\\)\x1b8")
BLOCK = "▀".encode()


def test_a_picture_in_sixels(answering: Callable[[Mapping[bytes, bytes]], Answering]) -> None:
    """It is drawn in its place and decodes; x draws blocks; a dialogue is never drawn over."""
    far = answering({b"\x1b[16t": CELL.encode(), b"\x1b[c": b"\x1b[?62;4;22c"})
    far.until(lambda got: b"doubtful" in got)
    shown = far.press(b"3", SIXELS.search)
    found = SIXELS.search(shown)
    assert found is not None
    canvas, _ = read_sixels(found[3].decode("ascii"))
    assert canvas.min() >= 0
    assert int(found[2]) == 1
    last_line = int(found[1]) + canvas.shape[0] / 20 - 1
    assert canvas.shape[1] == 800 and last_line <= 22  # the notice and the keys stay free
    assert 0.5 < (canvas < paint.GREYS).mean() <= 1.0  # the frame fills most of it
    assert not SIXELS.search(far.press(b"x", lambda got: got.count(BLOCK) > 100))
    far.press(b"x", SIXELS.search)
    assert not SIXELS.search(far.press(b"n", lambda got: b"Enter stores" in got))
    far.press(b"\x1b", SIXELS.search)


def two_of_them(got: bytes) -> bool:
    """Both rows of squares have come."""
    return len(SIXELS.findall(got)) >= 2


@pytest.fixture
def on_soft(
    shifted: tuple[Any, int], answering: Callable[[Mapping[bytes, bytes]], Answering]
) -> tuple[Answering, bytes]:
    """The first soft frame, opened on its stars, on a terminal with sixels; and what was sent."""
    far = answering({b"\x1b[16t": CELL.encode(), b"\x1b[c": b"\x1b[?62;4;22c"})
    far.until(lambda got: b"doubtful" in got)
    far.press(b"3", SIXELS.search)
    for _ in range(5):
        far.press(b" ", SIXELS.search)
    return far, far.press(b" ", two_of_them)


def test_single_stars_in_sixels(on_soft: tuple[Answering, bytes]) -> None:
    """Stars, o their half-maximum ellipse, e the edges: all dot by dot; x draws them in blocks."""
    far, shown = on_soft
    assert b"the same stars" in shown
    _stars_are_drawn(shown)
    _ellipses_are_drawn(far.press(b"o", two_of_them))
    _stars_are_drawn(far.press(b"o", two_of_them))
    _stars_are_drawn(far.press(b"e", two_of_them))
    assert not SIXELS.search(far.press(b"x", lambda got: got.count(BLOCK) > 100))


def _stars_are_drawn(shown: bytes) -> None:
    """Where whole frames are: two rows below one another, stars in each, their pixels seen."""
    rows = SIXELS.findall(shown)[-2:]
    for _, column, drawn in rows:
        canvas, _ = read_sixels(drawn.decode("ascii"))
        assert int(column) == 1 and canvas.shape[1] == 800
        square = canvas[:150, :150]
        assert (square < paint.GREYS).mean() > 0.9
        seen = canvas[canvas < paint.GREYS]
        assert seen.max() > paint.GREYS / 2  # a star is in it
        assert np.unique(seen).size > 5
    first, second = (int(line) for line, _, _ in rows)
    assert second == first + canvas.shape[0] // 20 + (canvas.shape[0] % 20 > 0) + 1


def _ellipses_are_drawn(shown: bytes) -> None:
    """Around each star in a colour of its own, still in pixels."""
    for _, _, drawn in SIXELS.findall(shown)[-2:]:
        canvas, registers = read_sixels(drawn.decode("ascii"))
        accent = paint.GREYS + 1
        blue = registers[accent]
        assert blue[2] > blue[0]  # per cent; Okabe and Ito's sky blue
        assert 50 < (canvas == accent).sum() < canvas.size / 20


def test_a_terminal_that_says_nothing(
    answering: Callable[[Mapping[bytes, bytes]], Answering],
) -> None:
    """The interface opens all the same, in blocks, and no pixels are ever sent."""
    far = answering({})
    far.until(lambda got: b"doubtful" in got)
    assert far.press(b"3", lambda got: got.count(BLOCK) > 100)
    assert b"\x1bP" not in far.got and b"a=T" not in far.got
