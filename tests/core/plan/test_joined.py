"""A rig's own goals and those of others behind them: gaps are filled, nothing overlaps."""

from dataclasses import replace
from itertools import pairwise, product

import pytest

from runlog.core.plan.frames_fit import SECOND
from runlog.core.plan.joined import busy_of, free_of, joined
from runlog.core.plan.night import plan_night
from runlog.core.plan.publish import plan_rows, rows_of
from runlog.core.plan.shared_words import best_words, shared_words
from runlog.core.plan.wanted import Action, Shared, Wanted

from .test_night import CADENCE, PLACES, planned, setting


def behind(own, *goals, exposure_s=300.0, elsewhere_s=0.0):
    """Plan goals of other rigs (target, filter, hours) in the time that own ones leave."""
    wanted = [Wanted(t, f, 5, h * 3600, elsewhere_s=elsewhere_s) for t, f, h in goals]
    actions = [Action(t, f, exposure_s, "x", (i,)) for i, (t, f, _) in enumerate(goals)]
    return plan_night(replace(own.setting, busy=busy_of(own)), wanted, actions, PLACES)


OWN = {
    "early": (("M 33", "L", 1.0),),  # it sets first
    "in the middle": (("M 42", "L", 0.8),),  # it rises late and is low
    "twice": (("M 33", "L", 0.7), ("M 42", "Ha", 0.7)),
    "one frame": (("M 42", "L", 0.01),),
    "all night": (("M 81", "L", 40.0),),
}


@pytest.mark.parametrize(("name", "exposure_s"), product(OWN, (60.0, 300.0, 900.0)))
def test_guests_take_what_own_goals_leave_and_no_more(name, exposure_s):
    """Guards the law of joining: own blocks stand, and each guest's keeps the setting up clear."""
    own = planned(setting(), *OWN[name])
    both = joined(own, behind(own, ("M 81", "Ha", 40), ("M 31", "L", 2), exposure_s=exposure_s))
    theirs = [b for b in both.blocks if b not in own.blocks]
    assert [b for b in both.blocks if b in own.blocks] == list(own.blocks)
    assert bool(theirs) == (name != "all night")
    for before, after in pairwise(both.blocks):
        own_pair = before in own.blocks and after in own.blocks
        lost_s = CADENCE.setup_s if before.action.target != after.action.target else 0.0
        assert own_pair or after.start - before.end >= lost_s * SECOND - 1e-9
    for block in theirs:
        spans = next(c.spans for c in both.chances if c.action == block.action)
        assert block.frames * exposure_s * SECOND <= block.end - block.start + 1e-9
        assert any(a <= block.start + 1e-9 for a, _ in spans) and block.end <= spans[-1][1] + 1e-8
    for number in range(len(own.wanted), len(both.wanted)):
        assert both.planned_s(number) < both.wanted[number].need_s + exposure_s * 1.5


def test_a_guest_is_taken_before_an_own_block_and_after_it():
    """Guards a stretch that would run on through what is busy: it is two blocks, with a gap."""
    own = planned(setting(), ("M 42", "L", 0.8))
    (middle,) = own.blocks
    both = joined(own, behind(own, ("M 81", "L", 40)))
    before, block, after = both.blocks
    assert block == middle and before.action == after.action
    dark_s = (own.dark.span[1] - own.dark.span[0]) / SECOND
    idle_s = sum(b - a for a, b in free_of(both)) / SECOND
    assert idle_s < 0.05 * dark_s < sum(b - a for a, b in free_of(own)) / SECOND


def test_rows_tell_own_goals_and_the_guests_that_are_served():
    """Guards the listing: a guest of which nothing is planned stands where it belongs alone."""
    own = planned(setting(), ("M 33", "L", 1.0), ("NGC 104", "L", 5.0))
    both = joined(own, behind(own, ("M 81", "Ha", 40), ("NGC 104", "Ha", 9)))
    rows = {(r["target"], r["filter"]): r for r in rows_of(both)}
    assert set(rows) == {("M 33", "L"), ("NGC 104", "L"), ("M 81", "Ha")}
    assert rows["M 81", "Ha"]["planned_s"] > 3600 and rows["M 81", "Ha"]["best_night"]
    assert rows["NGC 104", "L"]["reason"].startswith("never above")
    assert rows["M 33", "L"] == next(r for r in rows_of(own) if r["target"] == "M 33")
    assert best_words(both) == f"{best_words(own)} its own goals"


def test_without_own_goals_a_guest_is_planned_as_an_own_one():
    """Guards a rig without work: the whole night is free, and is planned as by its owner."""
    own = planned(setting())
    both = joined(own, behind(own, ("M 81", "L", 4), ("M 31", "Ha", 3)))
    alone = planned(setting(), ("M 81", "L", 4), ("M 31", "Ha", 3))
    assert plan_rows(both) == plan_rows(alone)
    assert (both.share, best_words(both)) == (alone.share, best_words(alone))


def test_what_other_rigs_give_is_taken_off():
    """Guards the sum: of three hours to go of which two are planned elsewhere, one is left."""
    own = planned(setting())
    both = joined(own, behind(own, ("M 81", "L", 3), elsewhere_s=7200.0))
    assert 3600 <= both.planned_s(0) < 3600 + 300 * 1.5
    assert rows_of(both)[0]["to_go_s"] == 3 * 3600
    assert joined(own, behind(own, ("M 81", "L", 3), elsewhere_s=3.0 * 3600)) == own


def test_other_rigs_are_named_beside_a_line():
    """Guards the words: who serves it too, and what all give together; in the row where none."""
    plan = planned(setting(), ("M 33", "L", 1.0), ("NGC 104", "L", 5.0))
    shared = {
        ("M 33", "L"): Shared(("Owl", "Tern"), 7200.0),
        ("NGC 104", "L"): Shared(("Wren",), 60.0),
    }
    plan = replace(plan, shared=shared)
    assert list(shared_words(plan, plan.blocks[0])) == ["Owl and Tern too, 2 h 00 min together"]
    (idle,) = (r["reason"] for r in rows_of(plan) if r["target"] == "NGC 104")
    assert idle.endswith("; planned with Wren")
    reached = [replace(w, elsewhere_s=w.to_go_s) for w in plan.wanted]
    plan = replace(plan, wanted=tuple(reached), blocks=())
    assert {r["reason"] for r in rows_of(plan)} == {
        "will be reached with Owl and Tern",
        "will be reached with Wren",
    }
