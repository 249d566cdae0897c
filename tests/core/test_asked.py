"""Questions of many frames are one where only numbers differ, with a command that settles it."""

import random

from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.core.asked import Raised, gather

SITE = 'site "31.7 -110.9"'


def raised(text, code="exposure", cure="", night="2026-10-09", rig="Wren + Mono"):
    """Make one frame's question."""
    return Raised(code, text, cure, night, rig)


def test_numbers_become_a_range():
    """Guards against one line a value: 26 lines about the Sun were one question."""
    texts = [f"the Sun stood at {n:+d} degrees: wrong clock" for n in (-3, 35, 10, 10)]
    (asked,) = gather(raised(t, "sun-up") for t in texts)
    assert asked.counted == "the Sun stood at -3 to +35 degrees: wrong clock (4 frames)"


def test_only_what_differs_has_a_range():
    """Guards words and equal numbers, and every number its own range."""
    texts = [f"DATE-END is {n} s after the start, the exposure 60 s" for n in (100, 99.5, 300)]
    (asked,) = gather(map(raised, texts))
    assert asked.text == "DATE-END is 99.5 to 300 s after the start, the exposure 60 s"
    dates = ["DATE says 1970-01-02, too old", "DATE says 1969-12-31, too old"]
    (asked,) = gather(map(raised, dates))
    assert asked.text == "DATE says 1969-12-31 to 1970-01-02, too old"


def test_names_are_not_numbers():
    """Guards names with digits, keywords and slots from being a range of something."""
    kept = [
        raised('"M 31" is odd', "target"), raised('"M 33" is odd', "target"),
        raised("CCDTEMP1 is odd"), raised("CCDTEMP2 is odd"),
        raised("the header gives only 3", "filter-unknown"),
        raised("the header gives only 4", "filter-unknown"),
    ]  # fmt: skip
    assert len(gather(kept)) == len(kept)
    assert len(gather([raised("5 s", "exposure"), raised("6 s", "exposure-disagrees")])) == 2


def test_order_does_not_matter():
    """Guards the text from hanging on which frame came first."""
    every = [raised(f"{n} s is short", night=f"2026-10-{n:02d}") for n in (9, 10, 11, 12)]
    every += [raised(f"at {n}", "sun-up", SITE) for n in (2, 7)]
    first = gather(every)
    for seed in range(5):
        random.Random(seed).shuffle(every)
        assert gather(every) == first


def test_the_command_names_the_frames():
    """Guards a command that can be typed: its night and rig are filled in, quoted where needed."""
    (asked,) = gather([raised("odd", "site-longitude", SITE)] * 2)
    assert asked.commands == (
        "runlog correct site \"31.7 -110.9\" --night 2026-10-09 --rig 'Wren + Mono'",
    )
    assert asked.own
    nights = [raised("odd", "exposure", night=n) for n in ("2026-10-09", "2026-10-11")]
    (asked,) = gather(nights)
    assert asked.commands == (
        "runlog correct exposure SECONDS --night DATE --rig 'Wren + Mono' "
        "(DATE from 2026-10-09 to 2026-10-11)",
    )
    assert not asked.own
    (asked,) = gather([raised("odd", "pedestal")])
    assert asked.commands == ()


def test_the_likelier_cure_comes_first():
    """Guards the order in which a question names its cures, and long lists of rigs."""
    (asked,) = gather([raised("odd", "sun-up", f'{SITE}\ndate "7h later"')])
    assert [c.split()[2] for c in asked.commands] == ["site", "date"]
    (asked,) = gather(raised("odd", rig=f"Rig {n}") for n in range(9))
    assert len(asked.commands) == 4
    assert asked.commands[-1] == "and 6 more like these"


@given(st.lists(st.text("0123456789-+:.T# eE/'x\0", max_size=24), max_size=12))
@settings(deadline=None)
def test_no_text_breaks_it(texts):
    """Guards `check` from whatever a header's values look like, and the count of frames."""
    assert sum(asked.frames for asked in gather(map(raised, texts))) == len(texts)
