"""What hours are worth, and what is said beside them."""

import pytest

from runlog.core.frame import Lacks
from runlog.core.ledger.depth_reference import Reference
from runlog.core.ledger.effective_words import effective_note, worth_words
from runlog.core.ledger.restated import Held, restated
from runlog.core.ledger.worth import Part, References, together, worth_of

NIGHTS = ("2026-10-09", "2026-10-12")


def references(light=1.0, point=1.0, extended=1.0, nights=NIGHTS, moonless=True):
    """Make the references of one rig, target and filter."""
    best, count = nights[0], len(nights)
    return References(
        {(1, "base"): Reference(light, count, best, None)},
        {(1, "L"): Reference(point, count, best, moonless)},
        {(1, "L"): Reference(extended, count, best, moonless)},
        {7: (1, "point")},
    )


def part(kept_s=3600.0, light=1.0, sky=1.0, narrow=1.0, frames=12, form="point", base="base"):
    """Make kept hours that are so many times as deep as a reference of ones."""
    return Part(
        1, form, "M 33", "L", base, frames, kept_s,
        kept_s * light, kept_s * light * sky * narrow, kept_s * light * sky,
    )  # fmt: skip


def test_identical_nights_are_worth_their_kept_time():
    """Nights like the reference count a second for a second, one or many."""
    for count in (1, 2, 9):
        found = worth_of([part() for _ in range(count)], references(), {})
        assert found.effective_s == pytest.approx(found.known_s)
        assert found.known_s == 3600.0 * count


def test_each_form_has_its_own_reference():
    """Narrow stars are worth something for point sources alone."""
    against = references(point=2.0, extended=1.0)
    assert worth_of([part(narrow=3.0)], against, {}).effective_s == pytest.approx(1.5 * 3600)
    assert worth_of([part(narrow=3.0, form="extended")], against, {}).effective_s == 3600.0


def test_nothing_known_is_unknown_and_said():
    """No zero: the count of frames by what they lack, and None."""
    found = worth_of([], references(), {Lacks.GAIN: 12, Lacks.ZERO: 0})
    assert found.effective_s is None
    assert worth_words(found) == "its depth is unknown: 12 frames of unknown gain (e/ADU)"
    assert effective_note(found) == "unknown: 12 frames of unknown gain (e/ADU)"


def test_a_part_of_unknown_gain_is_counted_in_words():
    """What is known is told, with what is not in it."""
    found = worth_of([part()], references(), {Lacks.GAIN: 12})
    assert worth_words(found, "2026-10-12") == (
        "effective 1 h 00 min at the reference's depth, 12 frames of unknown gain (e/ADU) not in it"
    )


def test_without_a_reference_nothing_is_made_up():
    """Hours whose light compares with no night's are unknown, with the reason."""
    found = worth_of([part(base="other", frames=4)], references(), {})
    assert found.effective_s is None
    assert worth_words(found).startswith("its depth is unknown: 4 frames without a reference yet")


def test_one_night_alone_and_moonlight_are_said():
    """Relative to this night; by which night, elsewhere; against moonlit nights so far."""
    alone = worth_of([part()], references(nights=("2026-10-09",), moonless=False), {})
    words = "relative to this night; against moonlit nights so far"
    assert effective_note(alone, "2026-10-09") == words
    assert effective_note(alone).startswith("relative to the night of 2026-10-09 alone; ")
    unknown = worth_of([part()], references(moonless=None), {})
    assert effective_note(unknown) == "against nights of unknown moonlight"
    assert effective_note(worth_of([part()], references(), {})) is None


def test_far_more_than_kept_says_why():
    """Above 1.3 times its length each factor that has a share in it is named; below, none."""
    deep = worth_of([part(light=1.21, sky=2.0, narrow=4.0)], references(), {})
    assert worth_words(deep) == (
        "effective 9 h 41 min at the reference's depth, 9.7 times its length because of 1.10 times "
        "the light, a background with 0.50 times the variance, stars 0.50 times as wide"
    )
    assert "because" not in worth_words(worth_of([part(sky=1.29)], references(), {}))
    just = worth_of([part(light=1.0914, sky=1.0914, narrow=1.0914)], references(), {})
    assert "because of 1.04 times the light" in worth_words(just)


def test_sums_of_several_add_up():
    """Targets and filters of a night together: time, what is missing, and each reference once."""
    against = references()
    one = worth_of([part()], against, {Lacks.ZERO: 2})
    two = worth_of([part(sky=0.5)], against, {Lacks.ZERO: 1})
    both = together([one, two])
    assert (both.effective_s, both.known_s) == (pytest.approx(5400), 7200)
    assert both.lacking == {Lacks.ZERO: 3}
    assert len(both.divisors) == 1


def test_what_is_unknown_adds_nothing_to_a_sum():
    """Guards hours beside others of unknown depth: only their frames are counted, no second."""
    known = worth_of([part(light=2.0, sky=3.0)], references(), {})
    unknown = worth_of([part(base="other", frames=4)], references(), {})
    both = together([known, unknown])
    assert (both.effective_s, both.known_s) == (known.effective_s, known.known_s)
    assert (both.light_s, both.dark_s) == (known.light_s, known.dark_s)
    assert both.no_reference == 4


# --- restated -------------------------------------------------------------------------------


def held(before, now):
    """Give an hour's worth by the references of before and of now."""
    return Held(worth_of([part()], before, {}), worth_of([part()], now, {}))


def test_a_change_of_up_to_three_percent_is_not_told():
    """Three percent is within what a picture shows."""
    assert restated("M 31", "L", [held(references(), references(point=1.03))]) is None


def test_a_better_night_is_told_with_what_it_did():
    """A better night makes the hours of before worth less, for the light or for the sky."""
    darker = restated("M 31", "L", [held(references(), references(point=1.25))])
    assert darker.words == (
        "effective hours of M 31 L restated by \N{MINUS SIGN}20%: a better night (2026-10-09) set "
        "the reference for sky and star widths"
    )
    clearer = restated("M 31", "L", [held(references(), references(light=1.25))])
    assert clearer.why.endswith("set the reference for the light")


def test_moonless_nights_taking_over_is_told():
    """A darker reference after nights under the Moon."""
    found = restated("M 31", "L", [held(references(moonless=False), references(point=2.0))])
    assert found.why.startswith("moonless nights are the reference now")


def test_what_was_unknown_before_is_no_restatement():
    """Hours that had no reference before are new, not restated."""
    assert restated("M 31", "L", [held(References(), references())]) is None


def quartile_of(nights, value):
    """Make references of more than three nights: a quartile of them all, no single night's."""
    return References(
        {(1, "base"): Reference(1.0, nights, None, None)},
        {(1, "L"): Reference(value, nights, None, True)},
        {(1, "L"): Reference(value, nights, None, True)},
        {7: (1, "point")},
    )


@pytest.mark.parametrize(
    ("before", "now", "why"),
    [
        (references(), quartile_of(4, 0.8), "the upper quartile of 4 nights is the reference, no"),
        (quartile_of(4, 1.0), quartile_of(5, 0.8), "5 nights set the reference, not 4"),
        (quartile_of(5, 1.0), quartile_of(5, 0.8), "its nights set another reference"),
    ],
)
def test_what_moved_the_reference_is_told(before, now, why):
    """Guards the reason: nights that are a quartile now, more nights, or others than before."""
    assert restated("M 31", "L", [held(before, now)]).why.startswith(why)


def test_a_frame_is_worth_what_the_references_of_its_run_make_of_it():
    """Guards the effective time of one frame; unknown where no night is a reference yet."""
    against = references(light=2.0, point=5.0)
    assert against.worth_s(7, "L", "base", 600.0, 40.0) == 60.0
    assert against.worth_s(7, "L", "other", 600.0, 40.0) is None
    assert against.worth_s(7, "Ha", "base", 600.0, 40.0) is None
    assert against.worth_s(7, "L", None, 600.0, 40.0) is None
