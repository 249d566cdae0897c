"""What is said of a loss that no cure is known for: the reason is the row's own."""

import pytest

from runlog.core.worth.dark import BETWEEN, ENDS, NOT_UP, OTHERS
from runlog.core.worth.loss_words import cure_words, whose


@pytest.mark.parametrize(
    ("what", "cause", "why"),
    [
        ("dark", BETWEEN, "no night is without some of it"),
        ("dark", OTHERS, "no night is without some of it"),
        ("dark", "pauses, about when clouds came", "the sky is why nothing was taken"),
        ("dark", "early stop", "what such nights are worth is not known"),
        ("kept", "focus", "its depth is not known"),
    ],
)
def test_the_sky_is_blamed_for_what_it_took_alone(what, cause, why):
    """Guards rows of the losses screen: time between frames is not the sky's doing."""
    row = {"what": what, "cause": cause, "whose": whose(cause, what), "cure_s": None}
    assert cure_words(row) == f"what a cure would have brought is unknown, because {why}"


@pytest.mark.parametrize("cause", [BETWEEN, ENDS])
def test_few_frames_blame_nobody(cause):
    """Two frames do not tell whether rig, plan or sky left the dark about them; a run does."""
    row = {"what": "dark", "cause": cause, "whose": whose(cause, "dark", of_few=True)}
    assert row["whose"] == "unknown" != whose(cause, "dark")
    assert "few frames tell no pace" in cure_words(row | {"cure_s": None})


@pytest.mark.parametrize(
    ("what", "cause", "wanted"),
    [
        ("dark", "early stop", "plan or rig"),
        ("dark", NOT_UP, "the plan's"),
        ("dark", BETWEEN, "the rig's"),
        ("not kept", "trailed", "rig or wind"),
        ("not kept", "dew", "rig or air"),
        ("not kept", "defocused", "the rig's"),
    ],
)
def test_what_is_seen_tells_whose_it_is_or_between_whom(what, cause, wanted):
    """Wind trails stars as a rig does, and a rig that stopped looks like a plan that ended."""
    assert whose(cause, what) == wanted
