"""Whole nights: flips, limits, bright nights, far north and south, dual bands, order of input."""

from dataclasses import replace
from datetime import UTC, date

import ephem
import numpy as np
import pytest

from runlog.core.ledger.effective_time import DepthForm
from runlog.core.plan.cadence import Cadence, Flip, Taken, cadence_of
from runlog.core.plan.frames_fit import SECOND, Turn, starts
from runlog.core.plan.moon_law import moon_law
from runlog.core.plan.night import plan_night
from runlog.core.plan.publish import plan_rows, reason, rows_of, strip, unknown
from runlog.core.plan.season import season_of, urgency
from runlog.core.plan.settings import PlanSettings
from runlog.core.plan.wanted import Action, Knowledge, Setting, Wanted
from runlog.core.sky.earth import Site
from runlog.core.sky.nights import noon_before
from runlog.core.sky.sidereal import days_since_j2000

PLACES = {"M 31": (10.68, 41.27), "M 42": (83.82, -5.39), "M 81": (148.89, 69.07),
          "NGC 104": (6.02, -72.08), "M 33": (23.46, 30.66)}  # fmt: skip
FILTERS = ("L", "Ha", "OIII", "Duo")
FLIP = Flip(-2.0, 1.0, 60.0, "as configured")
CADENCE = Cadence(18.0, 25.0, 240.0, "median of 30 gaps of 3 runs", (), FLIP)
KNOWN = Knowledge(
    rig="Heron", cadence=CADENCE, laws={f: moon_law([], f, 0.15, 21.4) for f in FILTERS},
    extinction_mag=dict.fromkeys(FILTERS, 0.15), share=dict.fromkeys(FILTERS, 0.9),
    share_from="9 nights", form=DepthForm.POINT, clear=0.4,
)  # fmt: skip


def setting(evening="2026-12-10", latitude=50.1, longitude=14.4, known=KNOWN, **limits):
    site = Site(latitude, longitude)
    noon = days_since_j2000(noon_before(date.fromisoformat(evening), longitude))
    return Setting(site, noon, PlanSettings(**limits), known, bands=frozenset(("Duo",)))


def planned(where, *goals, exposure_s=300.0, places=PLACES):
    """Plan goals (target, filter, hours to go), each through its own filter."""
    wanted = [Wanted(t, f, 5, hours * 3600) for t, f, hours in goals]
    actions = [Action(t, f, exposure_s, "x", (i,)) for i, (t, f, _) in enumerate(goals)]
    return plan_night(where, wanted, actions, places)


def test_no_frame_runs_into_the_flip_or_out_of_its_windows():
    """Guards whole frames: none straddles the flip, the end of the dark, a limit or another."""
    for exposure_s in (60.0, 300.0, 1200.0):
        plan = planned(setting(), ("M 31", "L", 20), ("M 42", "Ha", 20), ("M 81", "OIII", 20),
                       exposure_s=exposure_s)  # fmt: skip
        assert len(plan.blocks) >= 2
        before = 0.0
        for chance in plan.chances:
            for start in chance.frames:
                end = start + exposure_s * SECOND
                for turn in chance.turns:
                    assert end <= turn.start + 1e-9 or start >= turn.resume - 1e-9
                assert any(a <= start + 1e-9 and end <= b + 1e-8 for a, b in chance.spans)
        for block in plan.blocks:
            assert block.start > before
            before = block.end
            chance = next(c for c in plan.chances if c.action == block.action)
            length = block.frames * exposure_s * SECOND
            assert block.end - block.start >= length - 1e-9
            assert block.end <= chance.spans[-1][1] + 1e-8
        assert plan.share > 0.9


def test_a_mount_turns_over_below_the_pole_too():
    """Guards a target that goes under the pole while it is up: ephem's lower culmination, 65 N.

    The flip is from 2 degrees of hour angle (8 min) before it to 1 degree and 60 s after it; that
    it is there as it is above is an assumption, and is told.
    """
    plan = planned(setting("2026-10-20", 65.0), ("M 81", "L", 20))
    (chance,) = plan.chances
    here, star = ephem.Observer(), ephem.FixedBody()
    here.lat, here.lon, here.pressure, here.date = "65.0", "14.4", 0, "2026/10/20 12:00"
    star._ra, star._dec, star._epoch = (str(148.89 / 15), str(69.07), ephem.J2000)
    low = days_since_j2000(here.next_antitransit(star).datetime().replace(tzinfo=UTC))
    (below,) = [turn for turn in chance.turns if abs(turn.start - low) < 0.05]
    assert (low - below.start) * 1440 == pytest.approx(8 * 0.9973, abs=0.5)
    assert (below.resume - low) * 1440 == pytest.approx(4 * 0.9973 + 1, abs=0.5)
    assert any(a < low < b for a, b in chance.spans)
    starts_in = [s for s in chance.frames if below.start - 300 * SECOND < s < below.resume]
    assert starts_in == []
    assert any("below the pole on M 81" in u["what"] for u in unknown(plan))
    above = planned(setting("2026-12-10", 30.0), ("M 31", "L", 20))
    assert not any("below the pole" in u["what"] for u in unknown(above))


def test_twilight_that_is_planned_is_said_to_be_taken_as_dark():
    """Guards minutes between -18 and the twilight set: how bright they are is not known."""
    said = [list(unknown(planned(setting("2026-10-20", twilight_deg=deg), ("M 31", "Ha", 5))))
            for deg in (-12.0, -18.0)]  # fmt: skip
    assert ["twilight" in str(one) for one in said] == [True, False]


def test_frames_are_counted_by_hand():
    """Guards floor((window - setup) / (exposure + overhead)), and the flip's gap in it."""
    hour = 3600 * SECOND
    alone = list(starts(0.0, np.inf, [(0.0, hour)], (), (300.0, 18.0)))
    assert len(alone) == 11  # 3600 = 11 x 318 + 102; a twelfth frame would end at 3798 s
    turn = Turn(1000 * SECOND, 1500 * SECOND)
    times = [s / SECOND for s in starts(0.0, np.inf, [(0.0, hour)], [turn], (300.0, 18.0))]
    assert times == pytest.approx([0, 318, 636, 1500, 1818, 2136, 2454, 2772, 3090])


def test_a_reached_goal_takes_no_more_frames():
    """Guards needs: frames stop with the one that fills the goal."""
    plan = planned(setting(), ("M 31", "L", 1.0))
    assert 3600 <= plan.planned_s(0) < 3600 + 300
    assert plan_rows(plan)[-1]["why"].endswith("reaches the goal")


def test_permuting_goals_changes_nothing():
    """Guards independence of the order of goals and actions: the same rows, plan and bound."""
    goals = [("M 31", "L", 3), ("M 42", "Ha", 6), ("M 81", "OIII", 2), ("M 33", "Ha", 5)]
    first = planned(setting(), *goals)
    for turn in ([3, 1, 0, 2], [2, 3, 1, 0]):
        other = planned(setting(), *[goals[i] for i in turn])
        assert plan_rows(other) == plan_rows(first)
        assert rows_of(other) == rows_of(first)
        assert other.order.bound == first.order.bound


def test_a_bright_night_says_how_low_the_sun_gets():
    """Guards "no dark": 60.2 N at midsummer, by ephem the Sun gets 6.4 degrees down."""
    plan = planned(setting("2026-06-21", 60.2), ("M 31", "Ha", 5))
    assert not plan.blocks
    assert plan.share is None
    assert reason(plan, 0, 0) == "no dark: the Sun gets down to -6.4 degrees"


def test_nautical_dark_is_for_narrow_bands_alone():
    """Guards twilight_deg: at 50.1 N in June Ha may be planned in it, L may not."""
    where = setting("2026-06-21", twilight_deg=-12.0)
    plan = planned(where, ("M 31", "Ha", 5), ("M 31", "L", 5), exposure_s=120.0)
    assert plan.dark.said == "nautical"
    assert {b.action.filter for b in plan.blocks} == {"Ha"}
    assert not planned(setting("2026-06-21"), ("M 31", "Ha", 5)).blocks


def test_the_polar_night_is_used_whole():
    """Guards 84.9 N in December: dark from noon to noon, a circumpolar target up all day."""
    plan = planned(setting("2026-12-20", 84.9, 15.0), ("M 81", "L", 40))
    assert plan.dark.all_day
    chance = plan.chances[0]
    assert sum(b - a for a, b in chance.spans) == pytest.approx(1.0)
    assert plan.blocks[-1].end - plan.blocks[0].start > 0.95


def test_south_of_the_equator():
    """Guards the southern sky: 47 Tucanae is up from 33.9 S, M 81 never is."""
    plan = planned(setting("2026-12-10", -33.9, 18.5), ("NGC 104", "L", 5), ("M 81", "L", 5))
    assert {b.action.target for b in plan.blocks} == {"NGC 104"}
    row = next(r for r in rows_of(plan) if r["target"] == "M 81")
    assert row["reason"].startswith("never above 30 degrees at this site")


def test_a_place_that_is_not_known_is_said():
    """Guards unknowns: the row stays with its reason, and the list of unknowns names it."""
    plan = planned(setting(), ("M 31", "L", 5), ("Nowhere", "L", 5))
    row = next(r for r in rows_of(plan) if r["target"] == "Nowhere")
    assert row["reason"] == "no place known"
    assert row["frames_fit"] is None
    assert "the place of Nowhere" in [u["what"] for u in unknown(plan)]


def test_a_horizon_and_a_stop_cut_the_night():
    """Guards limits: a wall over the east, and a rig that is to stop at midnight UTC."""
    free = planned(setting(), ("M 42", "Ha", 20))
    wall = tuple((float(a), 60.0 if a < 180 else 20.0) for a in range(0, 360, 60))
    walled = planned(setting(horizon=wall), ("M 42", "Ha", 20))
    assert walled.chances[0].spans[0][0] > free.chances[0].spans[0][0] + 0.02
    where = setting()
    stopped = planned(replace(where, until=where.noon + 0.5), ("M 31", "L", 20))
    assert stopped.blocks[-1].end <= where.noon + 0.5 + 1e-9


def test_a_dual_band_fills_both_goals():
    """Guards dual bands: each frame adds to both goals, and is planned once."""
    wanted = [Wanted("M 31", "Ha", 5, 7200.0), Wanted("M 31", "OIII", 5, 7200.0)]
    actions = [Action("M 31", "Duo", 300.0, "x", (0, 1)), Action("M 31", "Ha", 300.0, "x", (0,))]
    plan = plan_night(setting(), wanted, actions, PLACES)
    assert plan.blocks[0].action.filter == "Duo"
    assert plan.planned_s(0) >= 7200
    assert plan.planned_s(1) >= 7200


def test_urgency_falls_with_slack():
    """Guards the weight: 1 where the season gives no more than is needed, by priority below."""
    tight = season_of(np.full(10, 3600.0), np.full(10, 3600.0), 3600.0, 0.5)
    assert tight.obtainable_s == 18000
    assert urgency(Wanted("A", "L", 1, 20000.0), tight).weight == 1.0
    assert urgency(Wanted("A", "L", 1, 9000.0), tight).weight == pytest.approx(0.5)
    assert urgency(Wanted("A", "L", 3, 9000.0), tight).weight == pytest.approx(0.25)


def test_a_season_ends_with_its_last_night():
    """Guards seasons: one that has not begun, one that ends, one without an end, none."""
    up = np.array([0, 0, 4000, 5000, 3700, 100, 0, 4000.0])
    found = season_of(up, up, 3600.0, 1.0)
    assert (found.begins, found.ends, found.nights, found.now) == (2, 4, 3, False)
    assert season_of(up[7:], up[7:], 3600.0, 1.0).ends is None
    assert season_of(up[:2], up[:2], 3600.0, 1.0).begins is None


def test_cadence_is_measured_from_the_log():
    """Guards overheads by kind of gap, the flip's hour angles, and what is assumed without them."""
    run, now = [], 0.0
    for i in range(12):
        angle = -10 + now / 240
        side = "west" if angle < 1 else "east"
        run.append(Taken(now, 300.0, "M 31", "L" if i < 6 else "Ha", side, angle))
        now += 300 + (200 if 0 < 1 - angle < 1.5 else 20 if i != 5 else 33)
    run.append(Taken(now + 160, 300.0, "M 42", "Ha", "east", -20.0))
    found = cadence_of([run], None, None)
    assert found.same_s == 20
    assert found.setup_s == pytest.approx(180, abs=25)
    assert found.flip.said == "as 1 flip in the log"
    assert -2 < found.flip.from_deg < found.flip.until_deg < 3
    nothing = cadence_of([], None, None)
    assert (nothing.same_s, nothing.setup_s, nothing.flip) == (30.0, 300.0, None)
    assert nothing.assumed == ("same filter", "other filter", "other target")


def test_strips_are_as_high_as_a_minute_is_worth():
    """Guards the strip: blank where not up, and never higher for a lower worth."""
    plan = planned(setting(), ("M 33", "L", 20))
    drawn = strip(plan, plan.chances[0])
    assert drawn[-1] == " "
    assert set(drawn) <= set(" ▁▂▃▄▅▆▇█")
    assert len(set(drawn)) > 2
