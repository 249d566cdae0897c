"""The curves of a star come from the files where they are, and stand beside the best frame's."""

from dataclasses import replace

import pytest

from runlog.actions.curves import curves_beside_best, star_curves
from runlog.actions.pictures import picture
from runlog.core.frame import StarList
from runlog.store.engine import open_engine
from tests.measure.fields import Sensor, draw_field, moffat
from tests.tools import moment, rows, scan_into, write_frame

WIDTHS_PX = (2.6, 2.62, 2.64, 2.66, 2.68, 2.7, 2.72, 4.6)  # enough frames to be graded
CLEAN = Sensor(hot_fraction=0.0, cosmic_rays=0)


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Frames of one field, the last out of focus; gives the database and the files."""
    home = tmp_path_factory.mktemp("night")
    paths = []
    for k, width in enumerate(WIDTHS_PX):
        field = draw_field(moffat(width), seed=21, stars=90, height=500, width=600, sensor=CLEAN,
                           snr_range=(120, 900), separation_px=40)  # fmt: skip
        paths.append(write_frame(home / f"light_{k}.fits", field.pixels, DATE__OBS=moment(400 * k)))
    scan_into(home / "night.sqlite", *paths)
    return home / "night.sqlite", paths


@pytest.fixture
def engine(night):
    engine = open_engine(str(night[0]))
    yield engine
    engine.dispose()


def ids(night):
    """Frames by the time they were taken."""
    return [key for key, _ in sorted(rows(night[0], "id", "taken_at_utc"), key=lambda r: r[1])]


def test_a_soft_frame_stands_beside_the_best(night, engine):
    """Guards the comparison: drawn widths of 4.7 and 2.7 px, rings blurring them by up to 10 %."""
    seen = picture(engine, ids(night)[-1])
    own, best = curves_beside_best(engine, seen)
    assert own.from_file
    assert own.place == "centre"
    assert 4.6 < own.profile.fwhm_px < 5.2
    assert best is not None
    assert best.picture.sight.frame.identity.id in ids(night)[:-1]
    assert 2.6 < best.profile.fwhm_px < 3.1
    assert own.profile.half_flux_px > 1.4 * best.profile.half_flux_px


def test_without_the_file_the_cut_out_serves(night, engine):
    """Guards unplugged disks: the stored cut-out gives the width within 10 %, and it is said."""
    key = ids(night)[0]
    seen = picture(engine, key)
    whole = star_curves(engine, seen)
    night[1][0].rename(night[1][0].with_suffix(".away"))
    try:
        found = star_curves(engine, seen)
    finally:
        night[1][0].with_suffix(".away").rename(night[1][0])
    assert (whole.from_file, found.from_file) == (True, False)
    assert found.profile.fwhm_px == pytest.approx(whole.profile.fwhm_px, rel=0.1)
    assert (found.x, found.y) == (whole.x, whole.y)


def altered(seen, stars=None, target=None):
    """The same picture of a frame with other stars, or of another target."""
    frame = seen.sight.frame
    if stars is not None:
        x, y, flux = zip(*stars, strict=True) if stars else ((), (), ())
        listed = replace(frame.measurement, star_list=StarList(x, y, flux))
        frame = replace(frame, measurement=listed)
    if target is not None:
        frame = replace(frame, context=replace(frame.context, target=target))
    return replace(seen, sight=replace(seen.sight, frame=frame))


def test_a_frame_without_stars_says_so(night, engine):
    """Guards empty frames: words, and no curve made of noise."""
    found = star_curves(engine, altered(picture(engine, ids(night)[0]), stars=[]))
    assert found.profile is None
    assert found.trouble == "no star was cut out of this frame"


def test_a_star_that_stands_alone_is_chosen(night, engine):
    """Guards the curve of growth: a neighbour as bright within reach sends us to another star."""
    seen = picture(engine, ids(night)[0])
    first, stars = star_curves(engine, seen), list(seen.sight.stars)
    crowded = [*stars, (first.x + 5, first.y, stars[0][2])]
    other = star_curves(engine, altered(seen, stars=crowded))
    assert (other.x, other.y) != (first.x, first.y)
    assert other.place in ("centre", "half way", "corner")


def test_the_only_kept_frame_has_no_best_beside_it(night, engine):
    """Guards lone frames: None where no other frame of the run was kept."""
    seen = altered(picture(engine, ids(night)[0]), target="elsewhere")
    own, best = curves_beside_best(engine, seen)
    assert own.profile is not None
    assert best is None
