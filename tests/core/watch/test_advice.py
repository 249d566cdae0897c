"""What to do next, in words."""

from dataclasses import replace

from runlog.core.frame import FaultName
from runlog.core.watch.advice import advice, sentence
from runlog.core.watch.alarms import Alarm, What
from tests.core.runs import EVERY, START, altered, clean_run

from .looked import look, told


def _alarm(cause):
    return Alarm(What.ALARM, cause, START + EVERY, START, 3, 3, "light 41 % of usual")


def test_sentence_gives_frames_numbers_and_since_when():
    """The line of the specification, without the time of day it is said at."""
    _, (alarm,) = told([look()] * 2 + [look(FaultName.CLOUD)] * 3)
    assert sentence(alarm) == "cloud: 3 frames in a row, light 41 % of usual, since 20:10"


def test_end_names_what_still_stands():
    """Clear of cloud does not sound clear of all."""
    over = Alarm(What.CLEARED, "cloud", START, START, still=("trailed",))
    assert sentence(over) == "cloud: clear again since 20:00; still: trailed"


def test_refocus_tells_how_much_wider_and_how_much_colder():
    """Widths 2.3 to 2.806 px are 22 % in the 1.4 C that the focuser cooled."""
    frames = [altered(f, fwhm_px=2.3, focus_c=8.0) for f in clean_run(6)]
    frames[-1] = altered(frames[-1], fwhm_px=2.3 * 1.22, focus_c=6.6)
    assert advice(_alarm("defocused"), frames) == "refocus: FWHM up by 22 % in 1.4 C"


def test_refocus_begins_at_the_last_move_of_the_focuser():
    """What was sharp at another place of the focuser is no measure of this one."""
    frames = [altered(f, fwhm_px=2.0, focus_pos=11000.0) for f in clean_run(9)]
    for n, width in ((5, 3.0), (6, 3.1), (7, 3.2), (8, 3.3)):
        frames[n] = altered(frames[n], fwhm_px=width, focus_pos=11200.0, focus_c=8.0)
    said = advice(_alarm("defocused"), frames)
    assert said == "refocus: FWHM up by 10 % since 20:26"


def test_thick_and_thin_cloud_are_told_apart_by_the_light_of_the_alarm():
    """Not by the run: where it began in cloud its own frames are no measure."""
    for light, words in ((0.41, "thick cloud since 20:00, light 41 %"), (0.7, "thin cloud since")):
        alarm = replace(_alarm("cloud"), light=light)
        assert advice(alarm, []).startswith(words)
    assert advice(replace(_alarm("cloud"), light=0.97), []) is None


def test_focus_that_never_was_sharper_is_told_so():
    """Out of focus from the first frame on there is no width to come back to."""
    frames = [altered(f, fwhm_px=5.0) for f in clean_run(5)]
    assert advice(_alarm("defocused"), frames) == "refocus: no frame since 20:00 was sharper"
    assert "not known" in advice(_alarm("defocused"), frames[:1])


def test_nothing_is_advised_where_nothing_is_known():
    """A cause nobody knows a cure for: no sentence; and none when trouble is over."""
    assert advice(_alarm("streak"), []) is None
    assert advice(_alarm("cloud"), []) == "look at the sky: how thick it is, the frames cannot tell"
    assert advice(Alarm(What.CLEARED, "trailed", START, START), clean_run(5)) is None
