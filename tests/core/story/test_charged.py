"""What is lost is charged once: events and causes together cost what was lost, and no more."""

from datetime import timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.core.frame import Fault, FaultName, Grade, Verdict
from runlog.core.story.charged import ANSWERS_FOR, charged, lost_by_cause
from runlog.core.story.model import Event, GradedLight, event
from tests.core.runs import START, altered, changed, clean_run, trail
from tests.core.story.telling import story, told

RUN = clean_run(30)
KINDS = [*ANSWERS_FOR, "cooling", "no-dither", "drift", "flip", "refocus"]
FAULTS = st.lists(
    st.builds(Fault, st.sampled_from(FaultName), st.sampled_from(Grade), st.just("so")), max_size=3
)


@given(st.data())
@settings(max_examples=60)
def test_no_frame_is_paid_for_twice(data):
    """Whatever faults frames have and however events overlap."""
    lights = [
        GradedLight(f, Verdict(data.draw(st.sampled_from(Grade)), tuple(data.draw(FAULTS))),
             data.draw(st.sampled_from(Grade)))
        for f in RUN
    ]  # fmt: skip
    spans = st.tuples(st.sampled_from(KINDS), st.integers(0, 29), st.integers(0, 29))
    found = [event(kind, lights[min(a, b) : max(a, b) + 1], "")
             for kind, a, b in data.draw(st.lists(spans, max_size=8))]  # fmt: skip
    lost_s = sum(t.lost_s for t in lights)
    assert sum(e.cost_s for e in charged(found, lights)) <= lost_s
    by_cause = lost_by_cause(lights)
    assert sum(by_cause.values()) == lost_s
    for kind, names in ANSWERS_FOR.items():
        paid = sum(e.cost_s for e in charged(found, lights) if e.kind == kind)
        assert paid <= sum(by_cause.get(name, 0.0) for name in names)


TROUBLE = {
    "cloud": lambda f: altered(f, transparency=0.4),
    "trail": lambda f: trail(f, 1.8),
    "gust": lambda f: altered(trail(f, 1.8), elongation_deg=float(int(f.key, 16) * 47 % 180)),
    "defocus": lambda f: altered(f, fwhm_px=3.6, hfr_px=0.53 * 3.6),
    "warm": lambda f: altered(f, sensor_c=-4.0),
    "soft": lambda f: altered(f, fwhm_px=3.9, hfr_px=0.62 * 3.9),
    "lit": lambda f: altered(f, background_adu=1700.0, sun_alt_deg=-12.0),
    "away": lambda f: altered(f, shift_x_px=f.placement.shift_x_px + 200),
}


@given(
    st.lists(st.tuples(st.sampled_from(sorted(TROUBLE)), st.integers(0, 29), st.integers(1, 12)),
             max_size=5),
    st.integers(-300, 300), st.integers(-300, 300),
)  # fmt: skip
@settings(max_examples=60)
def test_a_night_never_costs_more_than_it_lost(troubles, early, late):
    """Events of a whole story: exposures not kept, and dark in which nothing was taken."""
    run = list(RUN)
    for name, first, count in troubles:
        for n in range(first, min(first + count, 30)):
            run[n] = TROUBLE[name](run[n])
    run = [f for n, f in enumerate(run) if not 11 <= n < 15]
    lights = told(run)
    dark = START - timedelta(minutes=early), lights[-1].end + timedelta(minutes=late)
    dark = dark if dark[0] < dark[1] else None
    taken_s = sum(t.lost_s for t in lights)
    idle_s = (dark[1] - dark[0]).total_seconds() if dark else 3600.0
    exposed = [min(t.end, dark[1]) - max(t.start, dark[0]) for t in lights] if dark else []
    idle_s -= sum(max(part.total_seconds(), 0.0) for part in exposed)
    found = story(run, dark, place=(50.1, 14.35)).events
    assert sum(e.cost_s for e in found if e.frames) <= taken_s + 1e-6
    assert sum(e.cost_s for e in found if not e.frames) <= idle_s + 1e-6


def test_the_cooler_and_missing_dithers_charge_nothing():
    """Frames lost to cloud while the cooler failed on a night without dithers: cloud's alone."""
    run = [altered(f, shift_x_px=0.1, shift_y_px=0.0) for f in clean_run()]
    run = changed(run, range(10, 18), sensor_c=-4.0, transparency=0.4)
    costs = {e.kind: e.cost_s for e in story(run).events}
    assert costs == {"no-dither": 0.0, "cooling": 0.0, "cloud": 8 * 300.0}


def test_of_two_causes_the_one_that_weighs_pays():
    """A frame rejected for its trail and doubtful for the sky is charged to the trail."""
    run = changed(clean_run(), range(10, 15), background_adu=1150.0, sun_alt_deg=-12.0)
    run[12] = trail(run[12], 2.0)
    lights = told(run)
    assert {f.name for f in lights[12].verdict.faults} >= {
        FaultName.TRAILED,
        FaultName.BRIGHT_SKY,
    }
    costs = {e.kind: e.cost_s for e in story(run).events}
    assert costs["trailing"] == 300.0
    assert sum(costs.values()) == sum(t.lost_s for t in lights)


def test_a_mark_by_hand_is_no_faults_doing():
    """What a person rejects without a fault is said to be theirs; a kept mark loses nothing."""
    mine = GradedLight(RUN[0], Verdict(Grade.KEEP), Grade.REJECT)
    lone = GradedLight(RUN[1], Verdict(Grade.UNGRADED), Grade.UNGRADED)
    kept = GradedLight(
        RUN[2], told(changed(clean_run(), [2], transparency=0.3))[2].verdict, Grade.KEEP
    )
    assert lost_by_cause([mine, lone, kept]) == {"marked by hand": 300.0, "ungraded": 300.0}
    assert isinstance(charged([event("cloud", [kept], "")], [kept])[0], Event)
    assert charged([event("cloud", [kept], "")], [kept])[0].cost_s == 0.0
