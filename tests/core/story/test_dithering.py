"""Dithers by their moves: seldom dithers are dithers, noise is none, and a jump stays a jump."""

import numpy as np
import pytest

from runlog.core.story.dithering import Dithering
from runlog.core.story.model import Opinion, Part
from tests.core.runs import altered, changed, clean_run
from tests.core.story.telling import events, story

FALSE = {"no-dither", "jump", "drift", "wind", "turned"}


def placed(frames, positions):
    """Put frames where the field lay."""
    return [
        altered(f, shift_x_px=float(x), shift_y_px=float(y))
        for f, (x, y) in zip(frames, positions, strict=True)
    ]


def lying(count, every, seed, *, noise_px=0.25, size_px=8.0, creep_px=0.0):
    """Give places of frames dithered at random each so many frames, with guiding noise on top."""
    random = np.random.default_rng(seed)
    dithers = random.uniform(-size_px, size_px, (count // every + 1, 2))
    held = np.repeat(dithers, every, axis=0)[:count]
    creep = np.outer(np.arange(count), [creep_px, -0.4 * creep_px])
    return held + creep + random.normal(0.0, noise_px, (count, 2))


def night(seed, every, filters):
    """A clean night of 48 frames: filters in turn, a flip, a creep of a fifth of a pixel."""
    random = np.random.default_rng(100 + seed)
    frames = placed(
        clean_run(48, seed=seed),
        lying(48, every, seed, size_px=random.uniform(3, 20), creep_px=0.2 * random.uniform(-1, 1)),
    )
    frames = [
        altered(f, filter=filters[n % len(filters)], matched_to=filters[n % len(filters)] * 32,
                best_of_name=filters[n % len(filters)] * 32,
                rotation_deg=float(random.normal(0.0, 0.05)))
        for n, f in enumerate(frames)
    ]  # fmt: skip
    flip = int(random.integers(10, 38))
    return changed(
        frames, range(flip, 48), pier_side="east",
        rotation_deg=lambda f: 179.8 - f.placement.rotation_deg,
        shift_x_px=lambda f: f.placement.shift_x_px + 9.0,
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("every", [1, 2, 3, 4])
@pytest.mark.parametrize("filters", ["L", "LRGB", "LLR"])
def test_nothing_is_invented_on_clean_nights(seed, every, filters):
    """20 clean nights dithered each 1 to 4 frames, with filters in blocks and in turn."""
    found = story(night(seed, every, filters))
    assert FALSE.isdisjoint(e.kind for e in found.events)
    assert found.verdicts[Part.POINTING].verdict is Opinion.GOOD


@pytest.mark.parametrize(
    ("every", "words"),
    [(1, "dithered each frame by"), (2, "each second frame by"), (3, "each third frame by"),
     (4, "each fourth frame by")],
)  # fmt: skip
def test_how_often_is_told(every, words):
    """The rule of the dithers stands in the verdict, with the length of a move, not of a step."""
    found = story(placed(clean_run(48), lying(48, every, 7, size_px=12.0)))
    evidence = found.verdicts[Part.POINTING].evidence
    assert words in evidence
    assert 6 <= float(evidence.rsplit("by ", 1)[1].removesuffix(" px")) <= 18


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("noise_px", [0.1, 0.3, 0.5])
def test_guiding_noise_is_no_dither(seed, noise_px):
    """A field that only shakes, by less than a pixel, or creeps beside it, was not dithered."""
    still = lying(40, 40, seed, noise_px=noise_px, creep_px=0.1)
    (event,) = events(placed(clean_run(seed=seed), still), "no-dither")
    assert (event.frames, event.cost_s) == (40, 0.0)


def test_one_jump_is_no_dither():
    """A field that lies still but for one jump has both told; a recentring is no jump."""
    still = lying(40, 40, 3, noise_px=0.2)
    jumped = still + np.outer(np.arange(40) >= 15, [60.0, 10.0])
    run = placed(clean_run(), jumped)
    assert len(events(run, "no-dither")) == 1
    (jump,) = events(run, "jump")
    assert jump.first == run[15].key
    recentred = placed(clean_run(), still + np.outer(np.arange(40) >= 15, [12.0, 0.0]))
    assert {e.kind for e in story(recentred).events} == {"no-dither"}


@pytest.mark.parametrize("every", [1, 2, 3, 4])
@pytest.mark.parametrize("seed", range(5))
def test_a_jump_stays_a_jump(every, seed):
    """A tenth of the field at once and for good is found among dithers, however seldom these."""
    places = lying(48, every, seed, size_px=8.0) + np.outer(np.arange(48) >= 20, [90.0, -90.0])
    run = placed(clean_run(48), places)
    assert [e.first for e in events(run, "jump")] == [run[20].key]


def test_large_dithers_each_third_frame_are_no_jumps():
    """Dithers of more than 3 % of the field: against the usual step of none each was a jump."""
    run = placed(clean_run(48), lying(48, 3, 5, size_px=40.0))
    assert events(run, "jump") == []


def test_a_field_that_only_drifts_is_a_drift():
    """What creeps by pixels a frame is told as a drift, not as dithered."""
    run = placed(clean_run(), lying(40, 40, 1, creep_px=3.0))
    assert {e.kind for e in story(run).events} == {"drift"}


def test_pointing_anew_is_no_step():
    """Between two visits to a target the mount was elsewhere: what it is off then is no jump."""
    run = clean_run(48)
    run = changed(run, range(16, 32), target="M 31", matched_to="e" * 32, best_of_name="e" * 32)
    places = lying(48, 3, 2) + np.outer(np.arange(48) >= 32, [70.0, 20.0])
    assert events(placed(run, places), "jump") == []


def test_the_shortest_move_is_a_move():
    """Guards the steps that are taken for moves: as long as the shortest of them, or longer."""
    dithered = Dithering(20, (4.0, 5.0, 6.0), 4.5)
    assert [dithered.is_move(px) for px in (3.9, 4.0, 7.0)] == [False, True, True]
    assert not Dithering(20, (), 0.2).is_move(0.0)
