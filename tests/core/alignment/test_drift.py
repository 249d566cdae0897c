"""What the drift of a field tells: guided or not, and the axis of a night that was not guided."""

from dataclasses import replace

import numpy as np
import pytest

from runlog.core.alignment.axis import ARCSEC, Turns, fit_axis
from runlog.core.alignment.camera import camera_of, sampled
from runlog.core.alignment.drift import drift_of
from runlog.core.alignment.geometry import ARCMIN, field_turn, mount_dec, refraction_turn
from runlog.core.alignment.night import Standpoint, alignment_of
from runlog.core.alignment.places import Places
from runlog.core.alignment.words import sentences
from tests.core.alignment.drawn import axis as axis_on_the_ground
from tests.core.alignment.drawn import seen, sky_to_ground
from tests.core.alignment.tracked import Mount, night

# Nine arc seconds of periodic error in seven minutes, 0.3 arcsec of seeing, angles of 2 arcsec.
PLAIN = Mount()
FIELDS = 150


def judged(mount, seed=1, *, world=True, parity=True, **more):
    """Draw a night and judge it, by the world coordinates of one frame or without."""
    frames, matrices = night(mount, seed=seed, **more)
    sense = (-1 if mount.mirrored else 1) if parity else None
    camera = camera_of([(frames[n], matrix) for n, matrix in matrices if world], sense)
    return alignment_of(frames, Standpoint(mount.latitude, 16.0, sense, 2500.0, camera))


@pytest.mark.parametrize(
    ("up", "east", "hour_deg", "arcsec_h"),
    [(0, 10, 0, -157.1), (10, 0, 0, 0.0), (10, 0, 90, -157.1), (0, 10, 90, 0.0)],
)
def test_the_formula_of_drift(up, east, hour_deg, arcsec_h):
    """-e_az cos H - e_alt sin H an hour of hour angle, by scipy's matrices and by ours, no air."""
    hours = np.array([-0.5, 0.5]) + hour_deg
    dec = np.radians(40.0)
    star = np.array([[np.cos(dec), 0, np.sin(dec)]])
    pole = axis_on_the_ground(up, east, 50.0)
    there = [np.degrees(np.arcsin(sky_to_ground(star, hour, 50.0)[0] @ pole)) for hour in hours]
    assert np.diff(there)[0] * 3600 * 15 == pytest.approx(arcsec_h, abs=1.0)
    ours = mount_dec(hours, np.full(2, 40.0), 50.0, up * ARCMIN, east * ARCMIN)
    air = mount_dec(hours, np.full(2, 40.0), 50.0, 0.0, 0.0)
    assert np.diff(ours - air)[0] / ARCSEC * 15 == pytest.approx(arcsec_h, abs=1.0)


@pytest.mark.parametrize(
    "mount",
    [
        PLAIN,
        Mount(latitude=-34.0, dec=-30.0),
        Mount(latitude=-34.0, dec=-60.0, up=-4.0, east=2.0),
        Mount(mirrored=True),
        Mount(camera_deg=-160.0, mirrored=True, latitude=-34.0, dec=10.0),
        Mount(dither_px=8.0),
        Mount(dither_px=8.0, every=3),
        Mount(worm_arcsec=40.0, dither_px=4.0),
        Mount(up=25.0, east=-20.0, dither_px=3.0),
    ],
)
@pytest.mark.parametrize("flip_at", [None, -5.0])
def test_an_unguided_night(mount, flip_at):
    """Drawn north and south, dithered, with periodic error, flipped, mirrored: drift is used.

    Turn alone, of a field that drifts in right ascension too, would tell 3.3' up for 5.0'.
    """
    told = judged(mount, flip_at=flip_at)
    assert told.drift.guided is False
    assert told.drift.used
    assert (told.axis.up, told.axis.east) == pytest.approx((mount.up, mount.east), abs=0.4)
    assert told.axis.half_along(mount.up, mount.east) < 0.7


def test_the_trail_of_an_unguided_field_is_as_it_turned():
    """Drawn without air and worm: what frames turned in five minutes, at most, 2,500 px out."""
    mount = Mount(up=20.0, east=-10.0, dec=60.0, worm_arcsec=0.0, seeing_arcsec=0.0, turn_arcsec=0)
    frames, ((_, matrix),) = night(mount, np.linspace(-35, 10, 541))
    turn = np.radians([f.placement.rotation_deg for f in frames])
    each = 300 * 15.041 / 3600 / (45 / 540)  # frames apart that are an exposure apart
    fastest = np.abs(np.gradient(turn)).max() * each * 2500
    told = alignment_of(
        frames[::15], Standpoint(50.0, 16.0, 1, 2500.0, camera_of([(frames[0], matrix)], 1))
    )
    assert told.drift.guided is False
    assert told.trail_px == pytest.approx(fastest, rel=0.05)  # air turns it too, a little


def test_drift_sharpens_the_axis():
    """Across the direction that the turn tells, the drift tells ten times as well."""
    told, turn = judged(PLAIN).axis, judged(replace(PLAIN, guided=True, worm_arcsec=0.0)).axis
    assert told.half_along(0, 1) < 0.2 * turn.half_along(0, 1)


@pytest.mark.parametrize(
    "mount",
    [
        Mount(guided=True),
        Mount(guided=True, dither_px=8.0),
        Mount(guided=True, latitude=-34.0, dec=-30.0, dither_px=8.0, every=3),
        Mount(guided=True, mirrored=True, guide_star=(0.5, -0.5)),
        Mount(guided=True, up=25.0, east=-20.0, flexure_arcsec_h=(2.0, -3.0)),
    ],
)
def test_a_guided_night(mount):
    """The field keeps its place, so the axis rests on its turn; that is said."""
    told = judged(mount)
    assert told.drift.guided is True
    assert not told.drift.used
    assert abs(told.drift.dec_arcsec_h) < 6.0
    assert told.axis.holds(mount.up, mount.east)


def test_the_drift_is_what_was_drawn():
    """drift_dec_arcsec_h is that of the middle's star by ERFA's air and scipy's matrices."""
    mount = Mount(worm_arcsec=0.0, seeing_arcsec=0.0, turn_arcsec=0.0)
    hours = np.linspace(-35, 10, 37)
    dec, pole = np.radians(40.0), axis_on_the_ground(5.0, -3.0, 50.0)
    star = np.array([[np.cos(dec), 0, np.sin(dec)]])
    there = [np.arcsin(seen(sky_to_ground(star, hour, 50.0))[0] @ pole) for hour in hours]
    slope = np.polyfit(hours / 15.041, np.degrees(there) * 3600, 1)[0]
    assert slope > 50
    assert judged(mount).drift.dec_arcsec_h == pytest.approx(slope, abs=1.0)


def test_an_axis_that_hardly_drifts_is_not_called_guided():
    """On the pole a field keeps its place, guided or not: which is unknown, and nothing claimed."""
    for guided in (True, False):
        told = judged(Mount(up=0.0, east=0.0, guided=guided, dither_px=4.0))
        assert told.drift.guided is None
        assert "fits a guided mount and one that is not" in told.drift.reason
        assert told.below_floor


def test_flexure_is_neither():
    """A guided field that creeps by half a minute an hour: unknown, and the ellipse reaches out."""
    told = judged(Mount(guided=True, flexure_arcsec_h=(25.0, 20.0)))
    assert told.drift.guided is None
    assert "creeps by 3" in told.drift.reason
    assert told.axis.holds(5.0, -3.0)


def test_drift_of_no_such_mount_is_refused():
    """A camera that slips by 200" an hour in declination is no axis's doing."""
    told = judged(Mount(guided=True, flexure_arcsec_h=(0.0, 200.0)))
    assert told.axis is None
    assert told.drift.guided is False
    assert "as no mount does whose axis turns the field as it turned" in told.reason


@pytest.mark.parametrize("how", [{"world": False}, {"parity": False}])
def test_drift_without_the_cameras_angle(how):
    """A drift that goes who knows which way turns the field as well: the axis is unknown."""
    told = judged(PLAIN, **how)
    assert told.drift.guided is False
    assert told.axis is None
    assert "nothing guided it" in told.reason
    assert "world coordinates" in told.reason
    guided = judged(replace(PLAIN, guided=True, dither_px=4.0), **how)
    assert guided.drift.guided is True
    assert guided.axis.size == pytest.approx(5.8, abs=0.8)


def test_a_drift_that_dithers_hide():
    """Large dithers, none too many, and no angle: the axis is unknown, and by how much is said."""
    told = judged(replace(PLAIN, dither_px=40.0, every=4), world=False)
    assert told.axis is None
    assert "dithers may hide a drift of" in told.reason


def test_no_scale():
    """Where no header tells the scale, whether the night was guided is unknown, and said."""
    frames, _ = night(Mount(guided=True, arcsec_per_px=1.5))
    bare = [replace(f, header=replace(f.header, arcsec_per_px=None)) for f in frames]
    told = alignment_of(bare, Standpoint(50.0, 16.0, 1, 2500.0))
    assert told.drift.guided is None
    assert "how large a pixel is" in told.drift.reason


def test_world_coordinates_that_contradict():
    """Headers written before a flip and kept after it, or of the other sense, tell no angle."""
    frames, ((_, matrix),) = night(PLAIN, flip_at=-5.0)
    assert {f.header.pier_side for f in sampled(frames)} == {"west", "east"}
    last = frames[-1]
    stale = camera_of([(frames[0], matrix), (last, matrix)], 1)
    assert (stale.of, "do not turn as the frames do" in stale.reason) == ({}, True)
    turn = np.radians(last.placement.rotation_deg - frames[0].placement.rotation_deg)
    back = [[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]
    true = tuple(map(tuple, np.array(matrix) @ back))
    assert set(camera_of([(frames[0], matrix), (last, true)], 1).of) == {"r"}
    assert "not of the sense" in camera_of([(frames[0], matrix)], -1).reason


def test_the_ellipse_holds_the_truth_with_drift():
    """An axis 3' off, 3 h, angles of 2 arcsec, places of 0.5: the 90 % ellipse in 86 to 94 %.

    Of fewer fields, for time; with FIELDS = 500 it holds as well.
    """
    random, inside, used = np.random.default_rng(5), 0, 0
    dec = np.full(37, 40.0)
    for _ in range(FIELDS):
        way, begin = random.uniform(0, 2 * np.pi), random.uniform(-60, 15)
        up, east = 3 * np.sin(way), 3 * np.cos(way)
        hours = begin + np.linspace(0, 45, 37)
        own = hours, dec, 50.0
        turn = field_turn(*own, up * ARCMIN, east * ARCMIN) + refraction_turn(*own)
        turns = Turns(*own[:2], turn + random.normal(0, 2 * ARCSEC, 37), np.zeros(37, int), 50.0)
        north = mount_dec(*own, up * ARCMIN, east * ARCMIN) / ARCSEC + random.normal(0, 0.5, 37)
        still = np.zeros(37, int)
        places = Places(hours / 15.041, random.normal(0, 0.5, 37), north, still, still, to_sky=True)
        rotation = fit_axis(turns)
        drift = drift_of(turns, rotation, places)
        used += drift.used
        inside += (drift.axis or rotation).holds(up, east)
    assert used > 0.95 * FIELDS
    assert 0.86 <= inside / FIELDS <= 0.94


def _row(**more):
    return {
        "reason": None, "below_floor": False, "size_arcmin": 5.8, "size_err": 0.1, "sense": "known",
        "up_arcmin": 5.0, "up_err": 0.1, "east_arcmin": -3.0, "east_err": 0.1, "trail_px": 0.1,
        "trail_low_px": 0.1, "trail_high_px": 0.1, "exposure_s": 300.0, "verdict": "leave it",
        "camera_turned_deg": None, "guided": None, "drift_dec_arcsec_h": None, "drift_reason": None,
    } | more  # fmt: skip


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ({"guided": True, "drift_dec_arcsec_h": -0.6}, 'drifted (-1" an hour in declination): drift'
                                                       " tells nothing; rotation used."),
        ({"guided": False, "drift_dec_arcsec_h": 59.7}, 'drifted (+60" an hour in declination): '
                                                        "drift used beside rotation."),
        ({"drift_reason": "of that"}, "because of that; rotation used as of a guided mount."),
    ],
)  # fmt: skip
def test_words(row, says):
    """Guards that guided, unguided and unknown each have their sentence."""
    assert says in " ".join(sentences(_row(**row)))
