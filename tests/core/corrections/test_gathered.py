"""Questions of many frames are one where only numbers differ, with a command that settles it."""

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.corrections.gathered import Raised, gather
from runlog.core.corrections.selecting import Everyone, Sight
from runlog.core.header.filters import NO_FILTER

SITE = 'site "31.7 -110.9"'


NUMBERS = itertools.count()


def raised(text, code="exposure", cure="", night="2026-10-09", rig="Wren + Mono", **more):
    """Make one frame's question, of a frame of its own."""
    number = next(NUMBERS)
    more = {"paths": (f"/n/light_{number:04d}.fits",), "kind": "light"} | more
    return Raised(code, text, cure, Sight(number, night, rig, **more))


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
    texts = [f"DATE-OBS gives the date {d} and nothing the time of day"
             for d in ("1900-01-01", "1993-05-13")]  # fmt: skip
    (asked,) = gather(map(raised, texts))
    assert asked.text.startswith("DATE-OBS gives dates from 1900-01-01 to 1993-05-13 and nothing")
    (alone,) = gather([raised(texts[0])])
    assert (alone.text, alone.counted) == (texts[0], f"{texts[0]} (1 frame)")


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


def test_a_span_is_one_thing():
    """Guards spans of spans: "60 to 61 to 62 to 63 degrees" was printed."""
    texts = ["it was 60 to 61 degrees", "it was 62 to 63 degrees", "it was 59 degrees"]
    (asked,) = gather(map(raised, texts))
    assert asked.text == "it was 59 to 63 degrees"


def test_two_places_are_two_questions():
    """Guards sites from being ends of a range; the last digits of a receiver are one site."""
    here = [(f"SITELONG {n} is odd", f'site "31.7 {-n}"') for n in (110.8801, 110.8801, 110.8802)]
    far = ("SITELONG 70.8 is odd", 'site "-29.2 -70.8"')
    asked = gather(raised(text, "site-longitude", cure) for text, cure in [*here, far])
    assert [a.text for a in asked] == [
        "SITELONG 110.8801 to 110.8802 is odd", "SITELONG 70.8 is odd",
    ]  # fmt: skip
    assert all(len(a.commands) == 1 for a in asked)
    assert 'site "31.7 -110.8801"' in asked[0].commands[0]


def test_the_command_names_the_frames():
    """Guards a command that can be typed: its night and rig are filled in, quoted where needed."""
    (asked,) = gather([raised("odd", "exposure", "exposure 30") for _ in range(2)])
    assert asked.commands == ("runlog correct exposure 30 --night 2026-10-09 --rig 'Wren + Mono'",)
    assert asked.own
    (asked,) = gather([raised("odd", "site-longitude", SITE) for _ in range(2)])
    assert asked.commands == ("runlog correct site \"31.7 -110.9\" --rig 'Wren + Mono'",)
    nights = [raised("odd", "exposure", night=n) for n in ("2026-10-09", "2026-10-11")]
    (asked,) = gather(nights)
    assert asked.commands == (
        "runlog correct exposure SECONDS --night DATE --rig 'Wren + Mono' "
        "(DATE: 2026-10-09, 2026-10-11)",
    )
    assert not asked.own
    (asked,) = gather([raised("odd", "pedestal")])
    assert asked.commands == ()


def test_a_site_may_be_of_one_night():
    """Guards the other nights of a rig whose site was right then."""
    lit = raised("odd", "site-longitude", SITE)
    assert commands([lit], [raised("", night="2026-10-10")]) == (
        "runlog correct site \"31.7 -110.9\" --night 2026-10-09 --rig 'Wren + Mono'",
    )


def commands(asking, silent):
    """Give the commands for a question that only some of the frames ask."""
    (asked,) = gather(asking, Everyone(r.sight for r in (*asking, *silent)))
    return asked.commands


def test_nobody_else_is_touched():
    """Guards frames that do not ask: by kind, by filter, by file, and at last by name."""
    dark = raised("", kind="dark")
    assert commands([raised("odd")], [dark]) == (
        "runlog correct exposure SECONDS --night 2026-10-09 --rig 'Wren + Mono' --kind light",
    )
    bare = [raised("none", "filter-unknown", filter=NO_FILTER) for _ in range(3)]
    (line,) = commands(bare, [raised("", filter="L")])
    assert line.endswith("--rig 'Wren + Mono' --filter none")
    new = [raised("odd", night="", paths=(f"/new/a_{n}.fits",)) for n in range(5)]
    (line,) = commands(new, [raised("", night="")])
    assert line == "runlog correct exposure SECONDS --folder /new"
    (line,) = commands(new, [raised("", night="", paths=("/new/b_1.fits",))])
    assert line == "runlog correct exposure SECONDS --pattern 'a_*.fits'"
    odd = [raised("odd", night="", paths=(f"/new/{n}.fits",)) for n in "abcdefghijklmnopq"]
    lines = commands(odd, [raised("", night="", paths=("/new/other.fits",))])
    assert lines[0] == "runlog correct exposure SECONDS a.fits b.fits c.fits d.fits"
    assert lines[3] == "and 2 more like these"
    (line,) = commands(odd[:1], [raised("", night="", paths=("/old/a.fits",))])
    assert line == "runlog correct exposure SECONDS /new/a.fits"


def test_a_clock_is_one_for_the_night():
    """Guards the order of a night: a wrong clock is set right for all its frames, no others."""
    lit = raised("the Sun was up", "sun-up", 'date "7h later"')
    night = [raised(""), raised("", kind="dark")]
    (line,) = commands([lit], [*night, raised("", night="2026-10-10")])
    assert line == "runlog correct date \"7h later\" --night 2026-10-09 --rig 'Wren + Mono'"
    other = raised("", run=2)  # another rig of this name
    lines = " ".join(commands([lit], [*night, other]))
    assert lit.sight.paths[0][3:] in lines
    assert other.sight.paths[0][3:] not in lines
    assert "*" not in lines


def test_what_has_no_time_is_not_shifted():
    """Guards "1h later" from being offered where there is nothing to shift."""
    (asked,) = gather([raised("odd", "date-missing", timed=False, night="")])
    assert asked.commands[0].startswith("runlog correct date START")
    (asked,) = gather([raised("odd", "date-missing", timed=False, night="") for _ in range(2)])
    assert asked.commands[0].startswith("runlog correct date EVENING")
    (asked,) = gather([raised("odd", "date-unreadable")])
    assert asked.commands[0].startswith("runlog correct date SHIFT")


def test_what_became_of_the_value():
    """Guards "read as said, or left out": which of the two is said."""
    (asked,) = gather([raised("GAIN 1.7 may be either; taken as the latter", "gain")])
    assert asked.cured == "Nothing has to be done: the value was read as said"
    (asked,) = gather([raised("GAIN -1 is negative", "gain")])
    assert asked.cured == "Nothing has to be done: the value was left out"


def test_the_likelier_cure_comes_first():
    """Guards the order in which a question names its cures, and long lists of rigs."""
    (asked,) = gather([raised("odd", "sun-up", f'{SITE}\ndate "7h later"')])
    assert [c.split()[2] for c in asked.commands] == ["site", "date"]
    (asked,) = gather([raised("odd", rig=f"Rig {n}") for n in range(9)])
    assert len(asked.commands) == 4
    assert asked.commands[-1] == "and 6 more like these"


@given(st.lists(st.text("0123456789-+:.T# eE/'x\0", max_size=24), max_size=12))
def test_no_text_breaks_it(texts):
    """Guards `check` from whatever a header's values look like, and the count of frames."""
    assert sum(asked.frames for asked in gather(map(raised, texts))) == len(texts)


def test_other_nights_are_asked_for_only_where_a_command_goes_over_them():
    """Guards archives of very many nights: what is asked of one is settled without the others."""
    one = raised("odd", "exposure", "exposure 30")
    wide = raised("odd", "site-longitude", SITE)

    def rest():
        raise LookupError("the other nights were loaded")

    (asked,) = gather([one], Everyone([one.sight], rest))
    assert asked.commands
    with pytest.raises(LookupError, match="other nights"):
        gather([wide], Everyone([wide.sight], rest))
