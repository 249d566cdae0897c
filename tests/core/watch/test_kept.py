"""The state of the warnings survives a restart."""

import json

from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.core.frame import FaultName, Grade
from runlog.core.watch.alarms import Alarms, advance, begun
from runlog.core.watch.kept import from_json, to_json
from tests.core.runs import START

from .looked import look, looked

FOUND = [look(), look(FaultName.CLOUD), look(FaultName.TRAILED, Grade.DOUBTFUL)]


@settings(max_examples=40)
@given(st.lists(st.sampled_from(FOUND), max_size=30), st.sets(st.integers(0, 30)))
def test_restarts_at_any_moment_change_nothing_that_is_said(found, restarts):
    """State written and read again between any two frames: the same words, none twice."""

    def watch(restarts):
        state, said = begun(Alarms(), "disk", "almost full", START)
        for n, one in enumerate(found):
            if n in restarts:
                state = from_json(json.loads(json.dumps(to_json(state))))
                again = looked(max(n - 1, 0), found[max(n - 1, 0)])
                if n:
                    state, more = advance(state, again, again.arrived_utc)
                    said = said + more
            brought = looked(n, one)
            state, more = advance(state, brought, brought.arrived_utc)
            said = said + more
        return state, said

    assert watch(restarts) == watch(set())


def test_state_of_another_form_begins_anew():
    """A file of a version to come is not guessed at."""
    assert from_json({"form": "runlog.alarms/9"}) == Alarms()
