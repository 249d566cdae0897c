"""Hours in tables: what is unknown is no nothing, and ungraded time has a column."""

import pytest

from runlog.cli.hour_columns import SILENT, say_silent, spoken, with_ungraded
from runlog.cli.plain_table import plain_table
from runlog.core.columns import plural
from runlog.tui.text import count

KEYS = "night frames logged_s kept_s doubtful_s rejected_s share_kept".split()


def row(night, frames=4, **hours):
    blank = dict.fromkeys(("logged_s", "kept_s", "doubtful_s", "rejected_s", "ungraded_s"), 0.0)
    return {"night": night, "frames": frames, "share_kept": None} | blank | hours


def test_ungraded_time_has_a_column_where_there_is_any():
    """Guards 0 s in every column beside half an hour logged: it is ungraded, and says so."""
    graded = row("2026-10-09", logged_s=1800.0, kept_s=1800.0)
    lone = row("2026-10-10", logged_s=1200.0, ungraded_s=1200.0)
    assert with_ungraded(KEYS, [graded]) == KEYS
    keys = with_ungraded(KEYS, [graded, lone])
    assert keys == [*KEYS[:6], "ungraded_s", "share_kept"]
    shown = plain_table(spoken([graded, lone]), keys).split("\n")
    assert "ungraded" in shown[0]
    assert shown[3].split("0 s")[-1].split() == ["20", "min", "–"]


def test_frames_of_unknown_length_are_not_nothing(capsys):
    """Guards a silent 0 s: a dash, and in words what it means and how to cure it."""
    rows = [row("2026-10-09"), row("2026-10-10", frames=0)]
    text = plain_table(spoken(rows), KEYS).split("\n")
    assert "0 s" not in text[2]
    assert "0 s" in text[3]
    say_silent(rows[1:])
    assert capsys.readouterr().err == ""
    say_silent(rows)
    assert capsys.readouterr().err == f"{SILENT}\n"


@pytest.mark.parametrize(
    ("number", "words"), [(0, "0 frames"), (1, "1 frame"), (2, "2 frames"), (1943, "1,943 frames")]
)
def test_things_are_counted_alike_everywhere(number, words):
    """Command line, screens and the story count with one function, thousands set apart."""
    assert plural(number, "frame") == words
    assert count is plural
