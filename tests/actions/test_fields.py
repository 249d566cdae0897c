"""Which frame each frame is compared with: by the sky they show, whatever they are called."""

import os
import random
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from runlog.actions.fields import Cover
from runlog.actions.frames import frame_rows
from runlog.actions.matcher import changes
from runlog.actions.night import night_reports
from runlog.actions.open import open_store
from runlog.actions.regrade import regrade
from runlog.actions.scan import scan
from runlog.config import Settings
from runlog.core.frame import StarList
from runlog.core.selection import Selection
from runlog.core.story.model import Opinion, Part
from runlog.store.fields import Candidate
from tests.bench.places import Look, draw_looks, night_at, truths, untold
from tests.candidates import candidate
from tests.tools import here

WIDTH, HEIGHT = 1500, 1000
START = datetime(2026, 10, 9, 20, 0, tzinfo=UTC)


@dataclass
class Sky:
    """Star lists of drawn skies, and the rows that settling reads; no pixels."""

    stars: dict[int, StarList] = field(default_factory=dict)
    sights: list[Candidate] = field(default_factory=list)

    def add(self, sky: int, x: float = 0.0, *, score=1.0, told=None, run=1, light=1.0, **more):
        """Add a frame that looks at a sky, x pixels along."""
        number = len(self.sights)
        rng, noise = np.random.default_rng(sky), np.random.default_rng([number, 9])
        stars_x, stars_y = rng.uniform(-WIDTH, 4 * WIDTH, 700), rng.uniform(0, HEIGHT, 700)
        flux = (rng.pareto(0.9, 700) + 1) * 1000 * light
        seen = np.flatnonzero((stars_x > x) & (stars_x < x + WIDTH))
        seen = seen[np.argsort(-flux[seen])]
        dx, dy = noise.uniform(-4, 4, 2)
        places = stars_x[seen] - x + dx + noise.normal(0, 0.1, len(seen)), stars_y[seen] + dy
        self.stars[number] = StarList(*(tuple(v) for v in (*places, flux[seen])))
        self.sights.append(candidate(**{
            "id": number, "run_id": run, "content_key": f"{number:032x}", "target": "M 33",
            "filter": "L", "binning_x": 1, "width": WIDTH, "height": HEIGHT, "exposure_s": 300.0,
            "arcsec_per_px": 1.528, "stars": 300, "fwhm_px": 2.5, "noise_adu": 10.0,
            "ranked_flux_adu": 5e4 * score, "clipped_stars": 0,
            "taken_at_utc": START + timedelta(minutes=5 * number), "ra_deg": told,
            "dec_deg": None if told is None else 30.0,
        } | more))  # fmt: skip
        return number

    def cover(self, sights=None):
        """Find the fields."""
        return Cover(sights or self.sights, lambda frame: self.stars[frame.identity.id])

    def homes(self, sights=None):
        """Give each frame's reference and whether it lies on it, by frame number."""
        sights = sights or self.sights
        _, homes = self.cover(sights).homes()
        numbers = [s.frame.identity.id for s in sights]
        return {i: (numbers[h.at], h.covered) for i, h in zip(numbers, homes, strict=True)}

    def settled(self, sights=None):
        """Give the rows as they are once answers are stored."""
        sights = sights or self.sights
        cover = self.cover(sights)
        frames = [s.frame for s in sights]
        placed = [
            frame if changed is None else replace(frame, placement=changed.onto(frame.placement))
            for frame, changed in zip(frames, changes(frames, *cover.homes()), strict=True)
        ]
        return [s._replace(frame=frame) for s, frame in zip(sights, placed, strict=True)], cover


def two_places(told=(None, None)):
    """Draw six frames of one sky and six of another; the best of all shows the first."""
    sky = Sky()
    for n in range(6):
        sky.add(1, score=1.2 - 0.01 * n, told=told[0])
        sky.add(2, score=1.1 - 0.01 * n, told=told[1], run=2)
    return sky


@pytest.mark.parametrize(
    "told", [(None, None), (10.0, 12.0), (10.0, 10.0), (10.0, None)],
    ids=["silent", "right", "all the same", "half silent"],
)  # fmt: skip
def test_each_place_has_its_own_reference(told):
    """Stars decide, whatever the headers say of the place; the best of each place is laid on."""
    homes = two_places(told).homes()
    assert homes == {n: (n % 2, True) for n in range(12)}


def test_frames_in_any_order_find_the_same_fields():
    """Fields are a matter of the set of frames: shuffled rows give the same answers."""
    sky = two_places()
    for n in range(4):
        sky.add(1, x=0.3 * WIDTH * n, score=0.9)
    first = sky.homes()
    for seed in range(5):
        shuffled = list(sky.sights)
        random.Random(seed).shuffle(shuffled)
        assert sky.homes(shuffled) == first


def test_a_drifting_field_makes_no_chain():
    """A comet that moves by a quarter of the field a night: a third of the sky is shared or more.

    With links from frame to frame all of them would be one field, the ends without a star in
    common.
    """
    sky = Sky()
    for n in range(9):
        for k in range(3):
            sky.add(4, x=0.25 * WIDTH * n, score=1 + 0.01 * ((n * 5 + k * 3) % 7), run=n)
    homes = sky.homes()
    for n, (at, covered) in homes.items():
        assert covered
        assert abs(n // 3 - at // 3) * 0.25 <= 2 / 3
    assert len({at for at, _ in homes.values()}) >= 3


def test_one_frame_alone_is_no_place():
    """A single frame of other stars has nothing to be compared with, and is not its own measure."""
    sky = Sky()
    for n in range(5):
        sky.add(1, score=1 - 0.01 * n)
    astray = sky.add(2, score=2.0)
    homes = sky.homes()
    assert homes[astray] == (0, False)
    assert all(homes[n] == (0, True) for n in range(5))


def test_a_frame_with_few_stars_starts_no_field_on_stars_alone():
    """Under thick cloud a dozen stars may not match; where the header agrees it is a place."""
    for told, own in ((10.0, False), (13.0, True)):
        sky = Sky()
        for n in range(4):
            sky.add(1, score=1 - 0.01 * n, told=10.0)
        first = sky.add(2, score=0.5, stars=20, told=told)
        second = sky.add(2, score=0.4, stars=20, told=told)
        homes = sky.homes()
        assert homes[second] == ((first, True) if own else (0, False))


def test_a_frame_with_another_filter_in_is_not_laid_on():
    """Stars far brighter than in the next best frames: that one had no filter in."""
    sky = Sky()
    wrong = sky.add(1, score=2.5, light=2.5)
    for n in range(6):
        sky.add(1, score=1 - 0.01 * n)
    assert sky.homes()[wrong] == (1, True)
    assert sky.homes()[3] == (1, True)


def test_a_frame_half_behind_a_roof_is_not_laid_on():
    """Guards the reference from a black roof: half the sky gone takes the noise, and the stars."""
    sky = Sky()
    clear = [sky.add(1, score=1 - 0.01 * n) for n in range(6)]
    roofed = [sky.add(1, noise_adu=3.0, stars=130) for _ in range(7)]
    assert {sky.homes()[n] for n in (*clear, *roofed)} == {(clear[0], True)}


def test_one_frame_full_of_false_stars_makes_no_other_a_covered_one():
    """Guards the best frame from a worse one in which more was taken for stars."""
    sky = Sky()
    numbers = [sky.add(1, score=1 - 0.01 * n) for n in range(5)]
    false = sky.add(1, score=0.2, stars=900)
    assert {sky.homes()[n] for n in (*numbers, false)} == {(numbers[0], True)}


def test_settled_frames_cost_no_match_and_say_the_same():
    """Stored answers are used again; one more frame costs a match or two, not a match a frame."""
    sky = two_places((10.0, 12.0))
    sky.add(3, score=0.3)
    for n in range(3):
        sky.add(1, x=0.5 * WIDTH + 0.3 * WIDTH * n, score=0.7, told=10.1)
    settled, first = sky.settled()
    assert first.matches <= 3 * len(sky.sights)
    again, second = sky.settled(settled)
    assert again == settled
    assert second.matches <= 2  # the stray frame and the field it cannot be
    sky.add(1, score=0.5, told=10.0)
    more, third = sky.settled([*settled, sky.sights[-1]])
    assert third.matches <= 4
    fresh, _ = sky.settled()
    assert more == fresh


def test_a_better_frame_later_gives_what_all_at_once_gives():
    """Whatever was stored before, the answers are those of the whole set."""
    sky = two_places()
    settled, _ = sky.settled()
    best = sky.add(2, score=1.5)
    more, _ = sky.settled([*settled, sky.sights[best]])
    fresh, _ = sky.settled()
    assert [s[:-1] for s in more] == [s[:-1] for s in fresh]
    assert {s.frame.placement.best_of_name for s in fresh} == {sky.sights[best].frame.key}


# --- with real frames on disk ----------------------------------------------------------------


def scanned(tmp_path, name, looks, batches):
    """Scan drawn frames in batches into a new database."""
    folder = tmp_path / "frames"
    if not folder.exists():
        draw_looks(folder, looks)
    engine = open_store(str(tmp_path / f"{name}.sqlite"), Settings())
    for batch in batches:
        files = [os.fsencode(folder / look.path) for look in batch]
        assert not scan(engine, Settings(), files, workers=2).failed
    return engine


def said(engine, *keys):
    """Give some values of every frame by the end of its path."""
    return {
        "/".join(row["path"].split("/")[-2:]): tuple(row[key] for key in keys)
        for row in frame_rows(engine)
    }


def test_cloud_at_a_second_place_is_seen_in_any_order(tmp_path):
    """One name, two places: each frame's light is right within 0.03, whichever came first."""
    looks = untold(night_at(0, 6, "A", 1.0) + night_at(1, 8, "B", 0.4))
    first, second = looks[:6], looks[6:]
    engine = scanned(tmp_path, "a", looks, [looks])
    light = said(engine, "transparency")
    true = truths(looks)
    assert {path: value for path, (value,) in light.items()} == pytest.approx(true, abs=0.03)
    rows = said(engine, "transparency", "throughput", "grade", "faults", "evidence", "note")
    for path, (_, _, grade, faults, _, note) in rows.items():
        assert (grade == "keep") == (true[path] > 0.8), path
        assert ("cloud" in faults) == (true[path] <= 0.8), path
        assert note is None or "another field" in note
    notes = {path[:6] for path, values in rows.items() if values[-1] is not None}
    assert notes == {"night0"}  # the other place has more frames
    for name, batches in (("b", [second, first]), ("c", [looks[::2], looks[1::2]])):
        other = scanned(tmp_path, name, looks, batches)
        values = said(other, "transparency", "throughput", "grade", "faults", "evidence", "note")
        assert values == rows
        other.dispose()
    regrade(engine, Settings(), everything=True)
    assert said(engine, "transparency", "throughput", "grade", "faults", "evidence",
                "note") == rows  # fmt: skip
    (report,) = night_reports(engine, Settings(), Selection(night="2026-10-09"))
    pointing = report.verdicts[Part.POINTING]
    sky = report.verdicts[Part.SKY]
    assert "6 frames of Wanderer show another field" in pointing.evidence
    assert "the light of 6 frames is relative to this night" in sky.evidence
    assert pointing.verdict is Opinion.FAIR
    engine.dispose()
    listed = here(tmp_path, "--db", tmp_path / "a.sqlite", "frames")
    assert "another field" in listed.stdout


def test_two_frames_gone_astray_are_off_target(tmp_path):
    """Two of ten frames at a place no other night shows: their evidence names the rest."""
    looks = [Look(0, n, "C" if n in (5, 6) else "A") for n in range(10)]
    engine = scanned(tmp_path, "a", looks, [looks])
    rows = said(engine, "grade", "faults", "evidence")
    for look in looks:
        grade, faults, evidence = rows[look.path]
        assert (grade, "off-target" in faults) == (
            ("reject", True) if look.field == "C" else ("keep", False)
        )
        if look.field == "C":
            assert "8 of this run's 10 frames" in evidence["off-target"]
    engine.dispose()
