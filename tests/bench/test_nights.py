"""The labelled nights are planned as promised; nothing is drawn here."""

from collections import Counter
from datetime import UTC, datetime
from itertools import pairwise

import ephem
import pytest

from runlog.core.frame import FaultName

from .labels import (
    YARDSTICKS,
    FrameLabel,
    Limits,
    cause_of,
    expected_first,
    status,
    stretches,
    true_events,
)
from .nights import plan_all
from .planning import Planned
from .rigs import DUNLIN, HERON, PLOVER, WREN
from .script import HELD_OUT, TUNE, UNSEEN
from .scripts import SCRIPTS
from .unseen import UNSEEN_NIGHTS


@pytest.fixture(scope="module")
def nights() -> list[Planned]:
    """Plan every night once."""
    return list(plan_all())


@pytest.fixture(scope="module")
def unseen() -> list[Planned]:
    """Plan the nights on other rigs once."""
    return list(plan_all(20, UNSEEN_NIGHTS))


def test_set_is_as_large_and_as_even_as_asked(nights: list[Planned]) -> None:
    """Guards the set: enough nights of the asked length, each kind in both halves, two rigs."""
    long = [n for n in nights if not n.script.kind.startswith("run of")]
    assert len(long) >= 20
    assert all(30 <= len(n.labels) <= 120 for n in long)
    halves = {half: Counter(n.script.kind for n in nights if n.script.half == half)
              for half in (TUNE, HELD_OUT)}  # fmt: skip
    assert halves[TUNE] == halves[HELD_OUT]
    assert {n.script.rig for n in long} == {"wren", "heron"}
    assert sum(not n.script.zero_known for n in long) == 3
    assert {len(n.labels) for n in nights} >= {1, 2}


def test_frames_follow_one_another_in_the_dark(
    nights: list[Planned], unseen: list[Planned]
) -> None:
    """Guards the clock: no two exposures overlap, the target is up, the Sun well down."""
    for night in (*nights, *unseen):
        for before, after in pairwise(night.labels):
            gap_s = (_start(after) - _start(before)).total_seconds() - before.exposure_s
            assert 0.0 < gap_s < 3600.0, night.script.name
        for label, shot in zip(night.labels, night.shots, strict=True):
            assert shot.at is not None
            assert shot.at.altitude_deg > 25.0
            dawn = "dawn" in night.script.kind
            assert shot.at.sun_alt_deg < (-9.0 if dawn else -17.0), night.script.name
            assert label.sun_alt_deg == shot.at.sun_alt_deg


def _start(label: FrameLabel) -> datetime:
    return datetime.fromisoformat(label.start_utc)


def test_no_file_is_written_twice(nights: list[Planned], unseen: list[Planned]) -> None:
    """Guards file names: every frame of every night has its own."""
    paths = [shot.path for night in (*nights, *unseen) for shot in (*night.shots, *night.bias)]
    assert len(set(paths)) == len(paths)


def test_every_fault_and_strength_asked_for_is_there(nights: list[Planned]) -> None:
    """Guards the labels: each cause has frames that must be caught, each class of strength too,
    in either half; names are those of the grading."""
    for half in (TUNE, HELD_OUT):
        labels = [f for n in nights if n.script.half == half for f in n.labels]
        causes = Counter(
            yard.cause for f in labels if status(f) == "must" and (yard := cause_of(f))
        )
        unscored = ("seeing", "stretched")  # never beyond what a person would look at
        scored = {y.cause for y in YARDSTICKS if y.cause not in unscored}
        assert set(causes) == scored
        for yard in YARDSTICKS:
            if yard.cause in ("trail", "defocus", "cloud"):
                assert {yard.bin(f) for f in labels} >= set(yard.bins), (half, yard.cause)
        assert {expected_first(f) for f in labels} - {None} <= set(FaultName)
        assert sum(status(f) == "clean" for f in labels) > 300


def test_seeing_wanders_but_stays_nobodys_fault(nights: list[Planned]) -> None:
    """Guards clean nights: seeing wanders by about 30 %, correlated, within what a clean frame
    may have; the poor nights are 1.6 times the rig's usual."""
    spans = []
    for night in nights:
        if len(night.labels) < 30:
            continue
        widths = [label.usual_ratio for label in night.labels]
        steps = [abs(b / a - 1.0) for a, b in pairwise(widths)]
        assert sum(steps) / len(steps) < 0.06
        spans.append(max(widths) / min(widths) - 1.0)
        if night.script.kind == "poor night":
            assert 1.5 < sum(widths) / len(widths) < 1.7
    assert 0.2 < sorted(spans)[len(spans) // 2] < 0.45


def test_nights_change_side_at_the_meridian(nights: list[Planned]) -> None:
    """Guards flips: field turned by 180 degrees and the other pier side, from then on."""
    flips = 0
    for night in nights:
        for before, after in pairwise(night.labels):
            turned = abs(after.rotation_deg - before.rotation_deg)
            if after.target == before.target and not after.wrong_field | before.wrong_field:
                assert turned == (180.0 if after.pier_side != before.pier_side else 0.0)
                flips += turned == 180.0
    assert flips >= 10


def test_events_follow_the_limits(nights: list[Planned]) -> None:
    """Guards the events' truth: a stricter limit makes a cloud longer, never shorter, and every
    frame of an event reaches the limit or lies in a hole of one frame."""
    night = next(n for n in nights if n.script.name == "cloud-1")
    wide, narrow = (
        [e for e in true_events(night.labels, Limits(cloud_transparency=t)) if e.kind == "cloud"]
        for t in (0.9, 0.6)
    )
    assert sum(e.last - e.first for e in wide) > sum(e.last - e.first for e in narrow) > 0
    for event in narrow:
        hit = [night.labels[n].transparency <= 0.6 for n in (event.first, event.last)]
        assert hit == [True, True]


def test_stretches_bridge_one_frame_only() -> None:
    """Guards the joining of frames to events: one good frame does not end one, two do."""
    hit = [True, False, True, False, False, True]
    assert [(s.first, s.last) for s in stretches("x", hit)] == [(0, 2), (5, 5)]


def test_unseen_nights_share_nothing_that_was_tuned_on(unseen: list[Planned]) -> None:
    """Guards the held-out test: other rigs and fields than the tuned nights, every event asked for,
    and a spell of poor seeing."""
    assert {n.script.half for n in unseen} == {UNSEEN}
    assert {n.script.rig for n in unseen} == {PLOVER.key, DUNLIN.key}
    known = {b.target for s in SCRIPTS for b in s.blocks}
    assert known.isdisjoint(b.target for n in unseen for b in n.script.blocks)
    scales = [rig.rig.arcsec_px for rig in (WREN, HERON)]
    assert all(
        min(abs(rig.rig.arcsec_px / s - 1) for s in scales) > 0.2 for rig in (PLOVER, DUNLIN)
    )
    kinds = {e.kind for n in unseen for e in true_events(n.labels, Limits())}
    assert kinds >= {"cloud", "focus-drift", "refocus", "trailing", "flip", "jump", "pause"}
    soft = [f for n in unseen for f in n.labels if (y := cause_of(f)) and y.cause == "seeing"]
    assert sum(status(f) == "must" for f in soft) >= 10


def test_the_moon_rises_when_the_almanac_says(nights: list[Planned]) -> None:
    """Guards labels by upper limb and refraction, against when ephem says that it rises."""
    told = 0
    for planned in nights:
        site = planned.shots[0].rig.site
        place = ephem.Observer()
        place.lat, place.lon = f"{site.latitude_deg}", f"{site.longitude_deg}"
        place.elevation, place.pressure, place.horizon = site.elevation_m, 0, "-0:34"
        starts = [shot.start_utc for shot in planned.shots]
        for event in true_events(planned.labels, Limits()):
            if event.kind not in ("moonrise", "moonset"):
                continue
            place.date = starts[event.first].replace(tzinfo=None)
            search = place.next_rising if event.kind == "moonrise" else place.next_setting
            at_utc = search(ephem.Moon(), use_center=False).datetime().replace(tzinfo=UTC)
            assert starts[event.first] <= at_utc <= starts[event.last]
            told += 1
    assert told > 0
