"""Which frames are one exposure: laws that must hold for any set of copies."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.frame import Stage
from runlog.core.identity import (
    Copy,
    HeaderCopy,
    counted_keys,
    fold_name,
    same_exposure,
    speaking_header,
)

EVENING = datetime(2026, 10, 9, 22, tzinfo=UTC)


def copy_of(
    key, start_s, length_s=300.0, camera="mono", stage=Stage.RAW, cards=40, telescope="newton"
):
    """Describe one frame."""
    start = EVENING + timedelta(seconds=start_s)
    return Copy(key, start, length_s, camera, stage, cards, telescope)


@st.composite
def nights(draw):
    """Draw real exposures of two cameras, each a raw frame with processed copies of it.

    The two differ in model, or are of one model on two telescopes. One camera never starts before
    it has ended; copies may have lost the fraction of the second and the name of what differs.
    """
    copies, raw_keys = [], set()
    differ = draw(st.sampled_from(["camera", "telescope"]))
    for name in ("one", "other"):
        at = draw(st.floats(0, 2))
        for _ in range(draw(st.integers(0, 4))):
            length = draw(st.sampled_from([2.0, 30.0, 300.0]))
            number = len(copies)
            raw_keys.add(f"raw{number}")
            copies.append(copy_of(f"raw{number}", at, length, **{differ: name}))
            for n in range(draw(st.integers(0, 2))):
                start = draw(st.sampled_from([at, float(int(at))]))
                named = {differ: draw(st.sampled_from([name, ""]))}
                stage = draw(st.sampled_from([Stage.CALIBRATED, Stage.DEBAYERED]))
                copies.append(
                    copy_of(f"copy{number}-{n}", start, length, stage=stage, cards=60, **named)
                )
            at += length + draw(st.floats(0.5, 20))
    return copies, raw_keys


@given(nights(), st.randoms(use_true_random=False))
def test_one_frame_counts_for_each_exposure_in_any_order(night, random):
    """Every exposure counts once, by its raw frame, whatever order the frames come in."""
    copies, raw_keys = night
    shuffled = list(copies)
    random.shuffle(shuffled)
    assert counted_keys(shuffled) == counted_keys(copies) == raw_keys


@given(nights())
def test_counting_again_changes_nothing(night):
    """The frames that count, alone, all count: the choice is stable."""
    copies, _ = night
    counted = counted_keys(copies)
    assert counted_keys(c for c in copies if c.content_key in counted) == counted


@pytest.mark.parametrize(
    ("other", "same"),
    [
        (copy_of("b", 0.4, stage=Stage.CALIBRATED), True),
        (copy_of("b", 0.9, stage=Stage.CALIBRATED, camera=""), True),
        (copy_of("b", 1.1, stage=Stage.CALIBRATED), False),
        (copy_of("b", 0.0, camera="colour"), False),
        (copy_of("b", 0.0, telescope="refractor"), False),
        (copy_of("b", 0.4, telescope="", stage=Stage.CALIBRATED), True),
        (copy_of("b", 0.0, length_s=299.0), False),
        (copy_of("b", 0.0, length_s=299.98, stage=Stage.CALIBRATED), True),
        (copy_of("b", 300.0), False),
    ],
)
def test_same_exposure(other, same):
    """Camera, start and length decide, with room for what processing cuts off."""
    assert same_exposure(copy_of("a", 0.0), other) is same
    assert same_exposure(other, copy_of("a", 0.0)) is same


def test_fast_bursts_stay_apart():
    """Half-second exposures that start 0.6 s apart are many exposures, not copies of one."""
    burst = [copy_of(f"f{i}", 0.6 * i, 0.5) for i in range(20)]
    assert len(counted_keys(burst)) == 20


def test_the_rawest_then_the_fullest_header_counts():
    """A raw frame outranks a calibrated one with more cards; among raw ones cards decide."""
    raw, full = copy_of("z", 0.0, cards=20), copy_of("y", 0.0, cards=30)
    calibrated = copy_of("a", 0.0, stage=Stage.CALIBRATED, cards=90)
    assert counted_keys([raw, calibrated]) == {"z"}
    assert counted_keys([raw, full, calibrated]) == {"y"}


@given(
    st.lists(
        st.builds(
            HeaderCopy,
            st.sampled_from(list(Stage)),
            st.integers(0, 3),
            st.integers(0, 3),
            st.text("abc", min_size=1),
        ),
        min_size=1,
        unique_by=lambda copy: copy.digest,
    ),
    st.randoms(use_true_random=False),
)
def test_speaking_header_ignores_order(headers, random):
    """The same header speaks whatever order the copies were found in."""
    shuffled = list(headers)
    random.shuffle(shuffled)
    assert headers[speaking_header(headers)] == shuffled[speaking_header(shuffled)]


def test_the_rawest_then_fullest_then_oldest_header_speaks():
    """A copy that says as much as the original but was written later changes nothing."""
    first, later = HeaderCopy(Stage.RAW, 20, 1, "z"), HeaderCopy(Stage.RAW, 20, 2, "a")
    fuller, calibrated = (
        HeaderCopy(Stage.RAW, 21, 9, "b"),
        HeaderCopy(Stage.CALIBRATED, 90, 0, "c"),
    )
    assert speaking_header([later, first]) == 1
    assert speaking_header([first, later, fuller, calibrated]) == 2
    assert speaking_header([calibrated, later]) == 1


@pytest.mark.parametrize("name", ["MonoCam 9", "monocam9", " MONOCAM  9 "])
def test_device_names_fold(name):
    """One camera written three ways is one camera."""
    assert fold_name(name) == "monocam9"
    assert fold_name(None) == ""
