"""Goals: hours, ratios, gains; mosaics, dual bands, doubtful hours."""

from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.ledger.goals import (
    Counting,
    Goal,
    GoalForm,
    gain_of_next_hour,
    mosaics,
    set_against,
    set_part_against,
)
from runlog.core.ledger.totals import Total

H = 3600.0


def total(target, name, kept_h, doubtful_h=0.0, effective_h=None):
    """Make a total of five-minute frames."""
    logged = (kept_h + doubtful_h) * H
    effective = None if effective_h is None else effective_h * H
    return Total(
        target, name, round(logged / 300), logged, kept_h * H, doubtful_h * H, 0.0, 0.0, effective
    )


def goal(target, name, value, form=GoalForm.HOURS, **more):
    """Make a goal."""
    return Goal(target, name, form, value, **more)


def against(totals, *goals, counting=None):
    """Set totals against goals, by target and filter."""
    rows = set_against(totals, {(g.target, g.filter): g for g in goals}, counting or Counting())
    return {(t.target, t.filter): t for t in rows}


def test_hours():
    """Ten hours less 5 h 55 min (71 five-minute frames) are 4 h 5 min, 49 frames."""
    row = against([total("M 33", "L", 71 * 300 / H)], goal("M 33", "L", 10))[("M 33", "L")]
    assert (row.to_go_s, row.frames_to_go, row.done) == (245 * 60, 49, False)


def test_done_when_reached():
    """A goal reached is done, and nothing is to go."""
    row = against([total("M 33", "L", 10)], goal("M 33", "L", 10))[("M 33", "L")]
    assert (row.done, row.to_go_s, row.progress) == (True, 0.0, 1.0)


def test_a_ratio_of_a_goal():
    """Half of L's goal, whatever is kept of L."""
    rows = against(
        [total("M 33", "L", 2), total("M 33", "Ha", 1)],
        goal("M 33", "L", 10),
        goal("M 33", "Ha", 0.5, GoalForm.RATIO, of_filter="L"),
    )
    assert rows[("M 33", "Ha")].goal_s == 5 * H


def test_a_ratio_of_what_is_kept():
    """Without a goal of L, the ratio is of what is kept of it."""
    rows = against([total("M 33", "L", 8)], goal("M 33", "Ha", 0.5, GoalForm.RATIO, of_filter="L"))
    assert rows[("M 33", "Ha")].goal_s == 4 * H
    assert rows[("M 33", "Ha")].to_go_s == 4 * H


def test_a_ratio_of_nothing_tells_nothing():
    """A ratio of a filter never used has no hours yet, and no made-up ones."""
    row = against([], goal("M 33", "Ha", 0.5, GoalForm.RATIO, of_filter="L"))[("M 33", "Ha")]
    assert (row.goal_s, row.to_go_s, row.done) == (None, None, None)


def test_twice_the_frames_gain_1_41():
    """Signal to noise grows as the root of the time: a gain of 1.41 takes twice the hours."""
    want = goal("M 33", "L", sqrt(2), GoalForm.GAIN, base_s=6 * H, base_from="kept")
    row = against([total("M 33", "L", 6)], want)[("M 33", "L")]
    assert row.goal_s == pytest.approx(12 * H)
    assert row.to_go_s == pytest.approx(6 * H)


def test_a_gain_is_reckoned_in_effective_time():
    """Poorer hours since then: more clock hours are to go; 3 h effective then, 9 h wanted."""
    want = goal("M 33", "L", sqrt(3), GoalForm.GAIN, base_s=3 * H, base_from="effective")
    row = against([total("M 33", "L", 8, effective_h=4)], want)[("M 33", "L")]
    assert row.goal_s == pytest.approx(18 * H)  # 9 effective hours at 2 clock hours each
    assert row.to_go_s == pytest.approx(10 * H)
    reached = against([total("M 33", "L", 18, effective_h=9.01)], want)[("M 33", "L")]
    assert reached.done


@pytest.mark.parametrize(("config", "own", "to_go_h"), [
    (False, None, 4), (True, None, 2), (False, True, 2), (True, False, 4)])  # fmt: skip
def test_doubtful_hours_count_as_the_person_says(config, own, to_go_h):
    """The config says whether doubtful hours count; a goal may say otherwise."""
    want = goal("M 33", "L", 10, count_doubtful=own)
    row = against([total("M 33", "L", 6, 2)], want, counting=Counting(doubtful=config))[
        ("M 33", "L")
    ]
    assert row.to_go_s == to_go_h * H


# --- dual bands -----------------------------------------------------------------------------

DUO = Counting(bands={"Duo": ("Ha", "OIII")})


def test_a_dual_band_counts_for_both_goals_and_once_by_the_clock():
    """Three hours through a dual-band filter: three towards each band, three on the clock."""
    rows = against(
        [total("M 33", "Duo", 3), total("M 33", "Ha", 1)],
        goal("M 33", "Ha", 5),
        goal("M 33", "OIII", 5),
        counting=DUO,
    )
    assert rows[("M 33", "Ha")].to_go_s == 1 * H
    assert rows[("M 33", "OIII")].to_go_s == 2 * H
    assert sum(t.logged_s for t in rows.values()) == 4 * H
    assert sum(t.kept_s for t in rows.values()) == 4 * H


def test_other_targets_lend_nothing():
    """A dual band counts for its own target only."""
    rows = against([total("M 31", "Duo", 3)], goal("M 33", "Ha", 5), counting=DUO)
    assert rows[("M 33", "Ha")].to_go_s == 5 * H


# --- mosaics --------------------------------------------------------------------------------


def test_a_mosaic_is_as_far_as_its_worst_panel():
    """The goal holds for each panel; the mosaic's progress is the worst panel's."""
    rows = [total("NGC 7000 panel 1", "Ha", 5), total("NGC 7000 panel 2", "Ha", 2)]
    against_goals = set_against(rows, {("NGC 7000", "Ha"): goal("NGC 7000", "Ha", 10)}, Counting())
    assert [t.to_go_s for t in against_goals] == [5 * H, 8 * H]
    (mosaic,) = mosaics(against_goals)
    assert (mosaic.target, mosaic.panels, mosaic.worst_panel) == ("NGC 7000", 2, "2")
    assert (mosaic.progress, mosaic.to_go_s) == (0.2, 8 * H)


def test_a_panel_never_shot_through_a_filter_is_the_worst():
    """Panel 2 has no OIII at all: the mosaic has none."""
    rows = [total("X panel 1", "OIII", 5), total("X panel 2", "Ha", 2)]
    found = set_against(rows, {("X", "OIII"): goal("X", "OIII", 10)}, Counting())
    oiii = next(m for m in mosaics(found) if m.filter == "OIII")
    assert (oiii.worst_panel, oiii.progress, oiii.to_go_s) == ("2", 0.0, 10 * H)


def test_frames_under_the_plain_name_are_a_panel():
    """ "M 81" beside "M 81 panel 2" is the first panel of the mosaic."""
    rows = [total("M 81", "L", 1), total("M 81 panel 2", "L", 3)]
    (mosaic,) = mosaics(set_against(rows, {("M 81", "L"): goal("M 81", "L", 4)}, Counting()))
    assert (mosaic.panels, mosaic.worst_panel, mosaic.progress) == (2, "plain", 0.25)


def test_a_panels_own_goal_outranks_the_mosaics():
    """One panel may want more."""
    rows = against(
        [total("X panel 1", "L", 1), total("X panel 2", "L", 1)],
        goal("X", "L", 4),
        goal("X panel 2", "L", 8),
    )
    assert rows[("X panel 1", "L")].goal_s == 4 * H
    assert rows[("X panel 2", "L")].goal_s == 8 * H
    assert ("X", "L") not in rows


# --- laws -----------------------------------------------------------------------------------

NAMES = st.sampled_from(["X", "Y", "X panel 1", "X panel 2"])
TOTALS = st.lists(
    st.builds(
        total, NAMES, st.sampled_from(["L", "Ha", "Duo"]), st.integers(0, 20), st.integers(0, 5)
    ),
    unique_by=lambda t: (t.target, t.filter),
)
GOALS = st.lists(
    st.builds(goal, NAMES, st.sampled_from(["L", "Ha", "OIII"]), st.integers(1, 30)),
    unique_by=lambda g: (g.target, g.filter),
)


@given(TOTALS, GOALS, st.booleans())
def test_goals_change_no_hours(totals, goals, doubtful):
    """Whatever the goals, what was logged and kept stays: rows are added, none is changed."""
    wanted = {(g.target, g.filter): g for g in goals}
    found = set_against(totals, wanted, Counting(doubtful, DUO.bands))
    for name in ("frames", "logged_s", "kept_s", "doubtful_s"):
        assert sum(getattr(t, name) for t in found) == sum(getattr(t, name) for t in totals)
    for t in found:
        assert t.to_go_s is None or t.to_go_s == max(t.goal_s - t.counted_s, 0)
        assert t.done is None or t.done == (t.counted_s >= t.goal_s)


PART = st.lists(st.booleans(), min_size=12, max_size=12)


@given(TOTALS, PART, GOALS, st.booleans())
def test_goals_are_about_the_whole(totals, in_part, goals, doubtful):
    """Hours shown are the part's; what is to go is the same as over all time."""
    wanted = {(g.target, g.filter): g for g in goals}
    counting = Counting(doubtful, DUO.bands)
    whole = set_against(totals, wanted, counting)
    part = [t for t, shown in zip(totals, in_part, strict=False) if shown and t.frames]
    found = set_part_against(part, whole, counting)
    assert sum(t.kept_s for t in found) == sum(t.kept_s for t in part)
    by_key = {(t.target, t.filter): t for t in whole}
    for t in found:
        over_all = by_key[(t.target, t.filter)]
        assert (t.goal_s, t.to_go_s, t.frames_to_go, t.progress, t.done) == (
            over_all.goal_s, over_all.to_go_s, over_all.frames_to_go, over_all.progress,
            over_all.done,
        )  # fmt: skip
        assert gain_of_next_hour(t) == gain_of_next_hour(over_all)


def test_a_part_without_anything_for_a_goal_has_its_row_where_every_goal_is_asked_for():
    """Ten hours wanted, two kept by others: none here, eight to go; what nobody wants has none."""
    totals = [total("M 33", "L", 2.0), total("M 31", "L", 1.0)]
    whole = set_against(totals, {("M 33", "L"): goal("M 33", "L", 10)}, Counting())
    assert set_part_against([], whole, Counting()) == []
    (row,) = set_part_against([], whole, Counting(), every_goal=True)
    assert (row.target, row.kept_s, row.to_go_s) == ("M 33", 0.0, 8 * H)


@given(st.floats(0.01, 1000))
def test_the_next_hour_buys_less_and_less(kept_h):
    """One hour more of K: sqrt((K + 1) / K) - 1, falling with K."""
    gain = gain_of_next_hour(total("M 33", "L", kept_h))
    assert gain == pytest.approx(sqrt((kept_h + 1) / kept_h) - 1)
    assert gain > gain_of_next_hour(total("M 33", "L", kept_h + 1))


def test_nothing_yet_has_no_gain():
    """A gain over nothing is no number."""
    assert gain_of_next_hour(Total("M 33", "L")) is None


def test_a_ratio_of_a_ratio():
    """R is half of L, Ha is twice R: a chain of goals ends at hours."""
    chain = [goal("M 33", "R", 0.5, GoalForm.RATIO, of_filter="L"),
             goal("M 33", "Ha", 2, GoalForm.RATIO, of_filter="R")]  # fmt: skip
    own = [total("M 33", name, 1) for name in ("L", "R", "Ha")]
    rows = against(own, goal("M 33", "L", 10), *chain)
    assert [rows["M 33", name].goal_s for name in ("R", "Ha")] == [5 * H, 10 * H]


def test_doubtful_time_is_lent_by_a_filter_of_several_bands():
    """Where doubtful hours count, those of a dual-band filter count for both bands too."""
    counting = Counting(doubtful=True, bands={"HaOIII": ("Ha", "OIII")})
    rows = against(
        [total("M 33", "HaOIII", 2, 1), total("M 33", "Ha", 1)],
        goal("M 33", "Ha", 10), counting=counting,
    )  # fmt: skip
    row = rows["M 33", "Ha"]
    assert (row.credited_s, row.credited_doubtful_s, row.to_go_s) == (2 * H, H, 6 * H)


def test_a_mosaics_goal_and_its_worst_panel():
    """The goal is a panel's; the worst is the one least far along, not the one least exposed."""
    rows = against(
        [total("M 31 panel 1", "L", 2), total("M 31 panel 2", "L", 3)],
        goal("M 31 panel 1", "L", 2), goal("M 31 panel 2", "L", 6),
    )  # fmt: skip
    (mosaic,) = mosaics(list(rows.values()))
    assert (mosaic.worst_panel, mosaic.goal_s, mosaic.progress) == ("2", 2 * H, 0.5)


@pytest.mark.parametrize(("base_from", "effective_h"), [("effective", None), ("kept", 1.0)])
def test_a_gain_is_by_the_clock_where_no_depth_is_meant_or_known(base_from, effective_h):
    """Twice the signal to noise of one hour is four hours, if hours are all that is known."""
    own = total("M 33", "L", 2, effective_h=effective_h)
    wanted = goal("M 33", "L", 2, GoalForm.GAIN, base_s=H, base_from=base_from)
    assert against([own], wanted)["M 33", "L"].goal_s == 4 * H
