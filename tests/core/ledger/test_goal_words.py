"""A goal in one line of a person's words."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.ledger.goal_words import TypedGoal, as_typed, read_goal
from runlog.core.ledger.goals import Goal, GoalForm


@pytest.mark.parametrize(
    ("typed", "form", "value"),
    [
        ("20", GoalForm.HOURS, 20.0),
        ("8,5", GoalForm.HOURS, 8.5),
        ("20 h", GoalForm.HOURS, 20.0),
        ("8 h 15 min", GoalForm.HOURS, 8.25),
        ("8h15m", GoalForm.HOURS, 8.25),
        ("90 min", GoalForm.HOURS, 1.5),
        ("gain 1.41", GoalForm.GAIN, 1.41),
        ("-3", GoalForm.HOURS, -3.0),  # refused later, in words about hours
        ("0", GoalForm.HOURS, 0.0),
    ],
)
def test_amounts(typed, form, value):
    """Hours, hours and minutes, and a gain are each read as what they are."""
    assert read_goal(typed) == TypedGoal(form, value)


def test_a_ratio_names_its_filter():
    """Half the hours of L; the filter keeps its spelling."""
    assert read_goal("0.5 of L") == TypedGoal(GoalForm.RATIO, 0.5, "L")
    assert read_goal("2x of Ha 3nm") == TypedGoal(GoalForm.RATIO, 2.0, "Ha 3nm")


def test_what_is_not_said_stays_open():
    """A priority or how doubtful hours count can be said alone, or after the amount."""
    assert read_goal("priority 2") == TypedGoal(priority=2)
    assert read_goal("no doubtful") == TypedGoal(count_doubtful=False)
    assert read_goal("12 h, priority 1, doubtful") == TypedGoal(GoalForm.HOURS, 12.0, None, 1, True)


@pytest.mark.parametrize(
    "typed", ["", "  ", "many", "8 h 15", "1.5.2", "gain", "of L", "nan", "1e3"]
)
def test_what_makes_no_sense_is_not_read(typed):
    """Nothing is guessed."""
    assert read_goal(typed) is None


forms = st.one_of(
    st.tuples(st.just(GoalForm.HOURS), st.integers(1, 9999).map(lambda m: m / 60), st.none()),
    st.tuples(st.just(GoalForm.RATIO), st.integers(1, 999).map(lambda n: n / 100),
              st.sampled_from(["L", "Ha", "Ha 3nm"])),
    st.tuples(st.just(GoalForm.GAIN), st.integers(101, 999).map(lambda n: n / 100), st.none()),
)  # fmt: skip


@given(forms, st.integers(1, 9), st.sampled_from([None, True, False]))
def test_written_and_read_again(amount, priority, doubtful):
    """What is offered for editing means the goal that holds."""
    form, value, other = amount
    goal = Goal("M 31", "R", form, value, other, priority=priority, count_doubtful=doubtful)
    found = read_goal(as_typed(goal))
    assert found is not None
    assert (found.form, found.of_filter, found.count_doubtful) == (form, other, doubtful)
    assert found.value == pytest.approx(value, rel=1e-9)
    assert (found.priority or 5) == priority
