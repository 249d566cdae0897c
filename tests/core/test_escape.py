"""The escape of CSV: reversible, one line, harmless in a terminal, a spreadsheet and a shell."""

import csv
import io
import json
import re
import subprocess

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from runlog.core.escape import escaped, escaped_json, for_shell, unescaped

# All characters, bytes of names that are no UTF-8, and what matters here often enough.
BYTES = "".join(map(chr, range(0xDC80, 0xDD00)))
ANY = st.text(
    st.one_of(
        st.characters(exclude_categories=["Cs"]),
        st.sampled_from(BYTES),
        st.sampled_from("\\=+-@;|,\"' \t\r\n\x00\x1b\x7f\x9b\u202e\u2028\u00a0\u3000＝🌌nux0"),
    )
)
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


@given(ANY)
@example("\\u003d")
@example("\\\\n")
@example("-30.2 -70.7")
@example("\U000e0041\udce9")
def test_it_is_reversible(text):
    """What is written so is read back to the last character."""
    assert unescaped(escaped(text)) == text


@given(ANY)
def test_it_is_one_line_that_can_be_printed(text):
    """No control, no bidi mark, no line break, no odd byte is left; it can always be encoded."""
    assert escaped(text).isprintable()
    escaped(text).encode()


@given(ANY)
@example("x;=1+1")
@example('x;"=1+1"')
@example(" \t=1")
def test_no_spreadsheet_reckons_it(text):
    """Read with comma, semicolon, tab or bar, no cell begins with a sign, unless it is a number."""
    line = io.StringIO()
    csv.writer(line, lineterminator="\n").writerow(["a", escaped(text), "b"])
    for end in ",;\t|":
        for cell in next(csv.reader([line.getvalue()], delimiter=end)):
            start = cell.lstrip("\"' ")
            assert start[:1] not in tuple("=+-@＝＋－＠") or NUMBER.fullmatch(cell), (end, cell)


@given(ANY.filter(lambda text: not set(text) & set(BYTES)))
def test_it_is_the_escape_of_json(text):
    """RFC 8259 is the source: a reader of JSON strings reads it (bytes aside, which JSON lacks)."""
    quoted = re.sub(r'(\\.)|"', lambda m: m[1] or '\\"', escaped(text))
    assert json.loads(f'"{quoted}"') == text


NESTED = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | ANY,
    lambda inner: st.lists(inner) | st.dictionaries(ANY, inner),
)


@given(st.lists(NESTED) | st.dictionaries(ANY, NESTED))
@example(["x;=1+1", -3.5, "\x7f", '; "=1'])
def test_nested_values_stay_json(value):
    """JSON in a cell says the same, can be printed, and holds no cell that is reckoned."""
    cell = escaped_json(json.dumps(value))
    assert json.loads(cell) == value
    assert cell.isprintable()
    line = io.StringIO()
    csv.writer(line, lineterminator="\n").writerow(["a", cell])
    for part in next(csv.reader([line.getvalue()], delimiter=";")):
        assert part.lstrip("\"' ")[:1] not in tuple("=+-@")


@pytest.mark.parametrize("number", ["-3.5", "+2", "1e-05", "-1.5E+10", "0", ".5", "-.5"])
def test_numbers_are_never_altered(number):
    """A text that is a number is written as it is."""
    assert escaped(number) == number


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("=1+1", "\\u003d1+1"),
        ("@SUM(A1)", "\\u0040SUM(A1)"),
        ("-30.2 -70.7", "\\u002d30.2 -70.7"),
        ("C:\\new", "C:\\\\new"),
        ("a\nb\x1b[31m", "a\\nb\\u001b[31m"),
        ("caf\udce9.fits", "caf\\xe9.fits"),
        ("Hα é 🌌 M 33", "Hα é 🌌 M 33"),
    ],
)
def test_as_it_is_documented(text, written):
    """The README's examples."""
    assert escaped(text) == written


@pytest.mark.parametrize("text", ["C:\\Users", "end\\", "\\u12", "\\x41", "\\\\\\"])
def test_what_is_no_escape_is_not_read_as_one(text):
    """A backslash that begins nothing of ours: the text is itself, and nothing else."""
    assert unescaped(text) is None


@pytest.mark.parametrize(
    "name",
    ["NGC 7000", "$(touch no)", "`touch no`", 'a" ; touch no ; "', "it's", "a\\b", "x!y", "-rf",
     "a\nb", "\u202egp", "*"],
)  # fmt: skip
def test_a_shell_runs_nothing_of_a_name(name, tmp_path):
    """A real shell hands a printed name on as one word that leads back to the name."""
    done = subprocess.run(
        ["sh", "-c", f'printf "%s\\n" {for_shell(name)}'],
        capture_output=True, text=True, cwd=tmp_path, check=True,
    )  # fmt: skip
    word = done.stdout.removesuffix("\n")
    assert name in (word, unescaped(word))
    assert not word.startswith("-")
    assert list(tmp_path.iterdir()) == []
