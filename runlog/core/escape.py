"""Text that a terminal, a spreadsheet and a shell take as text: one escape, and the way back.

It is that of JSON strings (RFC 8259, section 7): `\\\\` is a backslash, `\\n` a line break and
`\\u202e` a character that cannot be printed. `\\xe9` is a byte of a name that is no UTF-8. Where a
spreadsheet would begin to reckon, the sign is written so too: `\\u003d` for "=". Numbers stay.
"""

import re
import shlex

_SHORT = {"\\": "\\\\", "\b": "\\b", "\f": "\\f", "\n": "\\n", "\r": "\\r", "\t": "\\t"}
_LONG = {short[1]: char for char, short in _SHORT.items()} | {'"': '"', "/": "/"}
_BYTE = 0xDC00  # what Python adds to a byte that is no UTF-8 (PEP 383)
_LONE_BYTES = range(_BYTE + 0x80, _BYTE + 0x100)
_ESCAPE = re.compile(r"""\\(?:(["\\/bfnrt])|u([0-9a-fA-F]{4})|x([89a-fA-F][0-9a-fA-F]))""")
# A spreadsheet reckons what begins with one of these, full width or not; and where it takes ; or |
# for the end of a cell, as many do in Europe, what follows one begins a cell.
_SIGNS = "=+\\-@＝＋－＠"
_BEGINS = re.compile(rf"""((?:^|[;|])[ "'\\]*)([{_SIGNS}])""")
_BEGINS_LATER = re.compile(rf"""([;|][ "'\\]*)([{_SIGNS}])""")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_NOT_IN_QUOTES = re.compile(r'[$`"\\!]')  # what a shell reads between double quotes


def escaped(text: str) -> str:
    """Write text so that it can be printed in one line and no spreadsheet reckons it."""
    if _NUMBER.fullmatch(text):
        return text
    return _BEGINS.sub(_unsigned, escaped_line(text))


def escaped_line(text: str) -> str:
    """Write text so that it can be printed in one line."""
    if text.isprintable() and "\\" not in text:
        return text
    return "".join(map(_escape, text))


def escaped_json(text: str) -> str:
    """Write a JSON text so that no spreadsheet reckons a part of it; it stays the same JSON."""
    return _BEGINS_LATER.sub(_unsigned, text).replace("\x7f", "\\u007f")


def unescaped(text: str) -> str | None:
    """Read escaped text; None where a backslash begins nothing that `escaped` writes."""
    if "\\" in _ESCAPE.sub("", text):
        return None
    joined = _ESCAPE.sub(_unescape, text)
    return joined.encode("utf-16", "surrogatepass").decode("utf-16", "surrogatepass")


def in_place_of(error: UnicodeError) -> tuple[str, int]:
    """Write so what a stream's encoding has no sign for: a handler for `codecs.register_error`."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(map(_units, error.object[error.start : error.end])), error.end


def for_shell(name: str) -> str:
    """Write a name as a person types it into a shell, which runs nothing of it."""
    plain = escaped(name) if name.startswith("-") or not name.isprintable() else name
    return shlex.quote(plain) if _NOT_IN_QUOTES.search(plain) else f'"{plain}"'


def _escape(char: str) -> str:
    if char in _SHORT:
        return _SHORT[char]
    if char.isprintable():
        return char
    if ord(char) in _LONE_BYTES:
        return f"\\x{ord(char) - _BYTE:02x}"
    return _units(char)


def _units(char: str) -> str:
    units = char.encode("utf-16-be", "surrogatepass").hex()
    return "".join(f"\\u{units[at : at + 4]}" for at in range(0, len(units), 4))


def _unescape(found: re.Match[str]) -> str:
    short, unit, byte = found.groups()
    if short is not None:
        return _LONG[short]
    return chr(int(unit, 16)) if unit is not None else chr(_BYTE + int(byte, 16))


def _unsigned(found: re.Match[str]) -> str:
    return f"{found[1]}\\u{ord(found[2]):04x}"
