"""Where targets stand: the same hours as the totals, mosaics as groups, goals set in words."""

from dataclasses import replace
from pathlib import Path

import pytest

from runlog.actions.standing import Standing, set_typed_goal, standings
from runlog.actions.totals import totals_against_goals
from runlog.config import Settings
from runlog.core.ledger.goals import GoalForm
from runlog.errors import UsageError
from tests.tui.nights import build, with_mosaic

SETTINGS = Settings(bands={"Duo": ("Ha", "OIII")}, count_doubtful=True)
HOUR = 3600.0


@pytest.fixture
def engine(tmp_path: Path):
    """Three nights with a mosaic of three panels and a dual-band filter."""
    made = build(tmp_path / "nights.sqlite")
    with_mosaic(made)
    yield made
    made.dispose()


def found(engine, target: str, filter_name: str, panel: str | None = None) -> Standing:
    """Find one row."""
    rows = standings(engine, SETTINGS)
    return next(r for r in rows if (r.target, r.total.filter, r.panel) == (
        target, filter_name, panel))  # fmt: skip


def test_every_total_is_there_once(engine):
    """The list is the totals, no hour more or less, with the mosaics and empty panels beside."""
    totals = totals_against_goals(engine, SETTINGS)
    rows = [row for row in standings(engine, SETTINGS) if row.mosaic is None]
    listed = {(r.total.target, r.total.filter): r.total for r in rows}
    assert len(listed) == len(rows)
    for total in totals:
        assert listed.pop((total.target, total.filter)) == total
    assert [total.logged_s for total in listed.values()] == [0.0]  # panel 1 through OIII


def test_a_mosaic_stands_where_its_worst_panel_does(engine):
    """Its row comes before its panels and shows the hours of the one furthest behind."""
    set_typed_goal(engine, SETTINGS, found(engine, "NGC 7023", "L"), "9 h", "mia")
    rows = standings(engine, SETTINGS)
    at = next(i for i, r in enumerate(rows) if r.mosaic and r.total.filter == "L")
    whole, panels = rows[at], rows[at + 1 : at + 4]
    assert [p.panel for p in panels] == ["1", "2", "3"]
    assert whole.total.kept_s == min(p.total.kept_s for p in panels)
    assert whole.to_go_s == max(p.to_go_s for p in panels) == 9 * HOUR - whole.total.kept_s
    assert all(p.goal_s == 9 * HOUR and p.inherited for p in panels)


def test_a_panel_may_have_a_goal_of_its_own(engine):
    """It outranks the mosaic's; the mosaic's cannot be taken away from one panel alone."""
    set_typed_goal(engine, SETTINGS, found(engine, "NGC 7023", "L"), "9 h", "mia")
    panel = found(engine, "NGC 7023 panel 2", "L", "2")
    with pytest.raises(UsageError, match="mosaic"):
        set_typed_goal(engine, SETTINGS, panel, "0", "mia")
    set_typed_goal(engine, SETTINGS, panel, "12 h", "mia")
    assert found(engine, "NGC 7023 panel 2", "L", "2").goal_s == 12 * HOUR
    assert found(engine, "NGC 7023 panel 1", "L", "1").goal_s == 9 * HOUR


def test_dual_band_hours_are_told_with_their_filter(engine):
    """What counts for Ha through the dual-band filter is credited, and by whom is said."""
    row = found(engine, "M 31", "Ha")
    assert row.lenders == ("Duo",)
    assert row.total.credited_s == found(engine, "M 31", "Duo").total.kept_s > 0


def test_each_form_of_goal(engine):
    """Hours, a ratio and a gain each come to the seconds they mean."""
    set_typed_goal(engine, SETTINGS, found(engine, "M 31", "Ha"), "8 h 30 min", "mia")
    set_typed_goal(engine, SETTINGS, found(engine, "M 31", "L"), "0.5 of Ha", "mia")
    assert found(engine, "M 31", "Ha").goal_s == 8.5 * HOUR
    assert found(engine, "M 31", "L").goal_s == 4.25 * HOUR
    set_typed_goal(engine, SETTINGS, found(engine, "M 31", "Duo"), "gain 2", "mia")
    duo = found(engine, "M 31", "Duo")
    # Stacks grow as the square root of time (Howell, Handbook of CCD Astronomy, from memory).
    assert duo.total.counted_s > duo.total.kept_s  # doubtful hours count here, so they are there
    assert duo.goal_s == pytest.approx(4 * duo.total.counted_s)


def test_a_priority_leaves_the_goal_as_it_is(engine):
    """A gain goes on being over the hours there were when it was set."""
    set_typed_goal(engine, SETTINGS, found(engine, "M 31", "Ha"), "gain 1.5", "mia")
    before = found(engine, "M 31", "Ha")
    lower = replace(before.goal, base_s=before.goal.base_s / 2)  # as if set a while ago
    for typed in ("priority 2", "gain 1.5, priority 3"):
        set_typed_goal(engine, SETTINGS, replace(before, goal=lower), typed, "mia")
        after = found(engine, "M 31", "Ha").goal
        assert (after.base_s, after.form) == (lower.base_s, GoalForm.GAIN)
    assert after.priority == 3


@pytest.mark.parametrize("typed", ["much", "-2", "priority 12", "priority 2", "1 of Nothing"])
def test_bad_goals_change_nothing(engine, typed):
    """What is not understood or makes no sense is said, and the row stays without a goal."""
    row = found(engine, "M 31", "L")
    with pytest.raises(UsageError, match=r"nothing was changed|no priority"):
        set_typed_goal(engine, SETTINGS, row, typed, "mia")
    assert found(engine, "M 31", "L").goal is None


def test_zero_takes_a_goal_away(engine):
    """And says so."""
    set_typed_goal(engine, SETTINGS, found(engine, "M 31", "L"), "9", "mia")
    said = set_typed_goal(engine, SETTINGS, found(engine, "M 31", "L"), "0", "mia")
    assert said == "M 31 L: no goal any more"
    assert found(engine, "M 31", "L").goal is None
