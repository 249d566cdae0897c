"""What is advised of frames, and that each sentence is what the numbers say."""

import numpy as np
import pytest

from runlog.core.frame import Lacks
from runlog.core.ledger.effective_time import DepthForm
from runlog.core.worth.advice import Advice
from runlog.core.worth.judge import Frames
from runlog.core.worth.stack import Weights
from runlog.core.worth.words import advice_words
from tests.core.worth.drawn import frame, kept

POINT, EXTENDED = DepthForm.POINT, DepthForm.EXTENDED
EQUAL, BEST = Weights.EQUAL, Weights.BEST


def ask(frames, form=EXTENDED, weights=EQUAL, wanted=lambda _: True, **own):
    """Ask about all frames of a picture."""
    return Frames(frames, form, weights).ask(wanted, **own)


def test_half_rule_decides_with_equal_weights_and_never_with_best():
    """20 frames and doubtful ones of T 0.6 to 0.3: the changes of the worked numbers, the advice.

    4.4953, 4.4735, 4.4516, 4.4298 and 4.5122, 4.5, 4.49, 4.4822 over 4.4721.
    """
    lights = (0.6, 0.5, 0.4, 0.3)
    more = [frame(50 + n, light=x, grade="doubtful") for n, x in enumerate(lights)]
    found = ask([*kept(), *more]).judged
    assert [round(4.47213595 * (1 + x.equal.depth), 4) for x in found] == [
        4.4953, 4.4735, 4.4516, 4.4298
    ]  # fmt: skip
    assert [round(4.47213595 * (1 + x.best.depth), 4) for x in found] == [
        4.5122, 4.5000, 4.4900, 4.4822
    ]  # fmt: skip
    assert all(x.half_rule == pytest.approx(0.4939, abs=5e-5) for x in found)
    assert [x.light for x in found] == pytest.approx(lights)
    assert [x.advice for x in found] == [Advice.KEEP, Advice.EITHER, Advice.DROP, Advice.DROP]
    best = ask([*kept(), *more], weights=BEST).judged
    assert {x.advice for x in best} <= {Advice.KEEP, Advice.EITHER}


def test_longer_frames_scale_by_their_time():
    """Two frames of half the time are one: same light, same picture, light a second as usual."""
    halves = [frame(50 + n, time_s=150.0, grade="doubtful") for n in range(2)]
    found = ask([*kept(), *halves])
    assert found.together.depth == pytest.approx(np.sqrt(21 / 20) - 1, rel=1e-12)
    assert [x.light for x in found.judged] == pytest.approx([1.0, 1.0])


def test_width_counts_for_stars_alone():
    """A wide frame of full light deepens nebulae, and takes from stars: their light is spread.

    The half maximum hardly moves: its light is thin there. Stars: (20 + q) / sqrt(21), with q the
    share of light that the wide profile has in the narrow one's noise-equivalent area, about 0.3.
    """
    wide = frame(50, fwhm=6.0, grade="doubtful", faults=["soft"])
    assert ask([*kept(), wide]).judged[0].advice is Advice.KEEP
    found = ask([*kept(), wide], form=POINT).judged[0]
    assert found.advice is Advice.DROP
    assert 0 < found.equal.width < 0.01
    assert found.equal.depth == pytest.approx(np.sqrt(21 / 20) - 1, rel=1e-12)
    assert found.equal.stars == pytest.approx(20.3 / np.sqrt(21 * 20) - 1, abs=0.003)


def test_width_does_not_hang_on_pixels():
    """Binned frames are as wide on the sky: adding them leaves the picture's width."""
    binned = frame(50, fwhm=2.4, scale=2.0, grade="doubtful")
    assert ask([*kept(), binned]).judged[0].equal.width == pytest.approx(0.0, abs=1e-12)


def test_no_gain_has_to_be_known():
    """Frames are added in ADU: without gain the advice is what it is with it."""
    lights = (0.6, 0.3)
    known = [frame(50 + n, light=x, grade="doubtful") for n, x in enumerate(lights)]
    bare = {"lacks": Lacks.GAIN, "egain": None, "matched": "best"}
    unknown = [frame(50 + n, light=x, grade="doubtful", **bare) for n, x in enumerate(lights)]
    one, other = ask([*kept(), *known]), ask([*kept(**bare), *unknown])
    assert [x.equal for x in one.judged] == [x.equal for x in other.judged]
    assert one.together == other.together


def test_what_is_unknown_is_said():
    """No picture, no depth, another base of light: unknown, because."""
    one = frame(50, grade="doubtful")
    assert "no picture yet" in ask([*kept(2), one]).judged[0].why
    lost = frame(50, grade="doubtful", lacks=Lacks.WHOLE)
    assert "not sky" in ask([*kept(), lost]).judged[0].why
    other = frame(50, grade="doubtful", base="other")
    assert "never compared" in ask([*kept(), other]).judged[0].why
    for odd in (lost, other):
        found = ask([*kept(), odd])
        assert (found.judged[0].advice, found.together) == (Advice.UNKNOWN, None)
        assert "unknown of 1 frame, because" in advice_words(found)
    bare = ask([*kept(), frame(50, grade="doubtful", beta=None)]).judged[0]
    assert bare.equal.depth > 0.02


def test_what_these_numbers_do_not_tell_is_to_be_looked_at():
    """A trailed frame of full light is no matter of depth: nobody is told to keep it."""
    found = ask([*kept(), frame(50, grade="doubtful", faults=["trailed"])])
    assert found.judged[0].advice is Advice.LOOK
    assert "look at 1 (trailed; these" in advice_words(found)
    assert found.together is None


def test_kept_frames_that_bring_little_are_asked_about():
    """Of kept frames only the poor one, and none that a person marked."""
    poor = frame(50, light=0.4)
    found = ask([*kept(), poor])
    assert [x.frame.key for x in found.judged] == [poor.key]
    assert found.judged[0].equal.depth == pytest.approx(4.4516 / 4.47213595 - 1, abs=2e-5)
    assert found.together is None or found.together.depth > 0
    assert ask([*kept(), frame(50, light=0.4, by="person")]) is None
    assert ask(kept()) is None
    assert len(ask(kept(), every_grade=True).judged) == 20


def test_the_advice_together_is_what_the_picture_becomes():
    """Nine doubtful frames: the sentence's change is that of the sums, to a tenth of a percent."""
    lights = (0.9, 0.8, 0.7, 0.9, 0.8, 0.85, 0.2, 0.1, 0.15)
    more = [frame(50 + n, light=x, grade="doubtful") for n, x in enumerate(lights)]
    found = ask([*kept(), *more])
    depth = (20 + sum(lights[:6])) / np.sqrt(26) / np.sqrt(20) - 1
    assert found.together.depth == pytest.approx(depth, rel=1e-12)
    assert advice_words(found) == (
        f"M 33 L, 20 kept frames: keep 6 of 9 doubtful; depth {100 * depth:+.1f} %, width 0.0 %; "
        "leaving out all that are doubtful costs 45 min of exposure"
    )


def test_order_of_frames_does_not_matter():
    """The advice of each frame hangs on the set of frames alone."""
    more = [frame(50 + n, light=0.3 + 0.05 * n, grade="doubtful") for n in range(9)]
    every = [*kept(), *more]
    one = {x.frame.key: x.advice for x in ask(every).judged}
    other = {x.frame.key: x.advice for x in ask(every[::-1]).judged}
    assert one == other
