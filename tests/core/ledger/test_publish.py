"""The table that goes with a picture, and the seasons it may be limited to."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.columns import hours
from runlog.core.ledger.publish import Batch, as_markdown, as_text, batch_words
from runlog.core.ledger.seasons import season
from runlog.errors import UsageError

L = Batch("M 33", "L", 300.0, 71, "2026-10-02", "2026-10-16")


def test_71_times_5_minutes():
    """71 x 5 min = 5 h 55 min (common practice, no source)."""
    assert batch_words(L) == "71 x 300 s"
    assert hours(L.seconds) == "5 h 55 min"


@pytest.mark.parametrize(
    ("exposure_s", "words"), [(90.0, "3 x 90 s"), (60.0, "3 x 60 s"), (0.5, "3 x 0.5 s")]
)
def test_lengths_as_captions_write_them(exposure_s, words):
    """Whole minutes as minutes, all else in seconds."""
    assert batch_words(Batch("M 33", "L", exposure_s, 3)) == words


def test_the_text_table():
    """Filters in the order captions list them, lengths joined, a total last."""
    table = as_text("M 33", [Batch("M 33", "Ha", 600.0, 12), L, Batch("M 33", "L", 60.0, 5)])
    assert table.split("\n") == [
        "M 33",
        "2026-10-02 to 2026-10-16",
        "Filter  Frames                       Total",
        "L       71 x 300 s + 5 x 60 s   6 h 00 min",
        "Ha      12 x 600 s              2 h 00 min",
        "Total   88 frames               8 h 00 min",
    ]


def test_the_markdown_table():
    """Four lines that any Markdown reader takes for a table; a bar in a name does not break it."""
    table = as_markdown("M 33 | west", [L])
    lines = [line for line in table.split("\n") if line.startswith("|")]
    assert lines == [
        "| Filter | Frames | Total |",
        "| --- | --- | ---: |",
        "| L | 71 x 300 s | 5 h 55 min |",
        "| **Total** | **71 frames** | **5 h 55 min** |",
    ]
    assert "M 33 \\| west" in table


@given(
    st.lists(
        st.tuples(st.sampled_from("LRGB"), st.integers(1, 900), st.integers(1, 99)), min_size=1
    )
)
def test_the_total_is_the_sum(drawn):
    """The last line adds up the frames and the hours of all others."""
    batches = [Batch("X", name, float(length), frames) for name, length, frames in drawn]
    last = as_text("X", batches).split("\n")[-1]
    frames = sum(b.frames for b in batches)
    assert f"{frames:,} frame{'s' * (frames != 1)} " in last
    assert last.endswith(hours(sum(b.seconds for b in batches)))


@pytest.mark.parametrize(
    ("typed", "southern", "span"),
    [
        ("2026", False, ("2026-01-01", "2026-12-31")),
        ("2026-27", False, ("2026-07-01", "2027-06-30")),
        ("2026/2027", False, ("2026-07-01", "2027-06-30")),
        ("1999-00", False, ("1999-07-01", "2000-06-30")),
        ("spring 2026", False, ("2026-03-01", "2026-05-31")),  # WMO
        ("Spring 2026", True, ("2026-09-01", "2026-11-30")),
        ("2026 autumn", False, ("2026-09-01", "2026-11-30")),
        ("winter 2027", False, ("2027-12-01", "2028-02-29")),  # a leap year
        ("winter 2026", True, ("2026-06-01", "2026-08-31")),
    ],
)
def test_seasons(typed, southern, span):
    """Years, observing years, and the meteorologists' seasons of both hemispheres."""
    assert season(typed, southern) == span


@pytest.mark.parametrize(
    "typed", ["", "26", "2026-29", "2026-1927", "monsoon 2026", "2026-13-01", "autumn"]
)
def test_no_seasons(typed):
    """What is no season is refused."""
    with pytest.raises(UsageError):
        season(typed)
