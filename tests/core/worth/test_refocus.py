"""What focusing by the sweeps would have saved, on nights whose answer is known by hand."""

from dataclasses import replace
from datetime import timedelta

import pytest

from runlog.core.frame import Kind
from runlog.core.worth.refocus import Refocused, Rule, cure_of, cure_words, refocused
from tests.core.worth.drawn import START, frame

RULE = Rule(0.8, 0.7, 0.9, "focuser")


def cooling(count=20, per_frame_c=0.1, start_c=10.0, **header):
    """Frames of 300 s, each a tenth of a degree colder."""
    return [
        _with(frame(n), focus_c=start_c - per_frame_c * n, focus_pos=1000.0, **header)
        for n in range(count)
    ]


def _with(one, **header):
    return replace(one, header=replace(one.header, **header))


def sweep(minutes, temperature_c, shots=9):
    """Focus frames of 4 s each ten seconds."""
    found = []
    for n in range(shots):
        at = START + timedelta(minutes=minutes, seconds=10 * n)
        one = _with(frame(500 + n), taken_at_utc=at, exposure_s=4.0, focus_c=temperature_c)
        found.append(replace(one, context=replace(one.context, kind=Kind.FOCUS)))
    return found


def test_a_night_that_cooled_by_two_degrees():
    """Focused at 10.0 C once: frames from 9.2 C on are saved; the rule comes at 9.2 and 8.4."""
    lights = cooling()
    lost = {f.key: 300.0 for f in lights[5:]}
    found = refocused(sweep(-3, 10.0) + lights, lost, RULE)
    assert (found.saved_s, found.unknown_s, found.runs) == (12 * 300.0, 0.0, 2)
    assert found.took_s == (84.0,)
    (cure,) = [cure_of("Rig", 15 * 300.0, RULE, [found])]
    assert cure.saved_s == pytest.approx(12 * 300 - 2 * 84)
    assert cure_words(cure, name_rig=False) == (
        "out of focus 1 h 15 min: a refocus each 0.8 C would have saved 57 min "
        "(2 focus runs more, 2 min 48 s, taken off)"
    )


def test_a_focus_run_in_between():
    """After a sweep, or a move of the focuser, degrees are counted anew."""
    lights = cooling()
    lost = {f.key: 300.0 for f in lights}
    again = refocused(sweep(-3, 10.0) + lights + sweep(49, 9.1), lost, RULE)
    assert (again.saved_s, again.runs) == ((2 + 3) * 300.0, 2)
    moved = [_with(f, focus_pos=1000.0 if n < 10 else 990.0) for n, f in enumerate(lights)]
    by_move = refocused(sweep(-3, 10.0) + moved, lost, RULE)
    assert (by_move.saved_s, by_move.runs) == ((2 + 2) * 300.0, 2)


def test_focus_lost_otherwise_is_not_saved():
    """Where it hardly cooled the rule would not have come; what it costs elsewhere is taken off."""
    slipped = refocused(sweep(-3, 10.0) + cooling(per_frame_c=0.01), {f"{3:032x}": 300.0}, RULE)
    assert (slipped.saved_s, slipped.runs) == (0.0, 0)
    good = refocused(sweep(-3, 10.0) + cooling(), {}, RULE)
    assert (good.saved_s, good.runs) == (0.0, 2)
    cure = cure_of("Rig", 300.0, RULE, [slipped, good])
    assert "would have saved nothing (2 focus runs more" in cure_words(cure, name_rig=False)


@pytest.mark.parametrize(
    ("night", "why"),
    [
        (cooling(), "at which temperature the focus was set"),
        (sweep(-3, 10.0) + cooling(start_c=10.0)[:0] + [
            _with(f, focus_c=None) for f in cooling()], "tell no temperature"),
        (sweep(-3, None) + cooling(), "at which temperature the focus was set"),
    ],
)  # fmt: skip
def test_unknown(night, why):
    """No focusing before the frames, or no temperature: unknown, because."""
    lost = {f.key: 300.0 for f in night if f.context.kind is Kind.LIGHT}
    found = refocused(night, lost, RULE)
    assert (found.saved_s, found.unknown_s) == (0.0, sum(lost.values()))
    cure = cure_of("Rig", sum(lost.values()), RULE, [found])
    assert cure.saved_s is None
    assert why in cure_words(cure, name_rig=True)


def test_sweeps_that_tell_no_rule():
    """Where the slope is unknown, so is the cure; the reason is the sweeps' own."""
    rule = Rule(reason="the slope over temperature is unknown")
    said = cure_words(cure_of("Rig", 600.0, rule, []), name_rig=True)
    assert said == (
        "Rig: out of focus 10 min: what focusing more often would have saved is unknown, because "
        "the slope over temperature is unknown"
    )


def test_a_part_that_is_unknown_is_said():
    """Of two nights one tells nothing: what is known is told, and how much is not."""
    cure = cure_of("Rig", 900.0, RULE, [Refocused(600.0, 0.0), Refocused(0.0, 300.0)])
    assert cure_words(cure, name_rig=False) == (
        "out of focus 15 min: a refocus each 0.8 C would have saved 10 min; of 5 min of it that is "
        "unknown"
    )
