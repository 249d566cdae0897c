"""Hours by depth on drawn frames: any order of scanning, binning, unknown gain, Moon, a tree."""

import os
import random
import subprocess
import sys
from datetime import UTC, datetime

import numpy as np
import pytest
from astropy.io import fits
from sqlalchemy import delete, select, update

from runlog.actions import scan as scanning
from runlog.actions.frames import frame_rows
from runlog.actions.goals import Wish, wish
from runlog.actions.night import night_reports
from runlog.actions.open import open_store
from runlog.actions.settle import settle_all
from runlog.actions.totals import growth_rows, total_rows, totals_against_goals
from runlog.config import Settings
from runlog.core.ledger.effective_time import DepthForm
from runlog.core.ledger.goals import GoalForm
from runlog.core.selection import Selection
from runlog.ingest.task import read_file
from runlog.store import models as m
from runlog.store.engine import reading, writing
from runlog.store.shown import runs_that_changed
from samples.maker.quick import make_run
from tests.tools import environment, written_out

ZERO = Settings(pedestal_adu=500.0)
FRAMES = 6
NIGHTS = {  # new Moon is on October 10, full Moon on October 26 (USNO)
    "sharp": (datetime(2026, 10, 9, 22, tzinfo=UTC), 2.4),
    "wide": (datetime(2026, 10, 12, 22, tzinfo=UTC), 2.9),
    "binned": (datetime(2026, 10, 13, 22, tzinfo=UTC), 2.4),
    # No two nights may have the same pixels, or they would be one.
    "gainless": (datetime(2026, 10, 15, 22, tzinfo=UTC), 2.41),
    "lit": (datetime(2026, 10, 26, 21, 30, tzinfo=UTC), 2.42),
    "tree": (datetime(2026, 10, 16, 22, tzinfo=UTC), 2.43),
    "long": (datetime(2026, 10, 17, 22, tzinfo=UTC), 2.4),
}
BINNED_KEYS = {"XBINNING": 2, "YBINNING": 2, "XPIXSZ": 9.6, "YPIXSZ": 9.6}
COVERED = (5, 6, 7)


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    """Draw one field in seven nights."""
    base = tmp_path_factory.mktemp("archive")
    for name, (start, width) in NIGHTS.items():
        cards = {"EGAIN": None} if name == "gainless" else {}
        length = 600.0 if name == "long" else 300.0
        count = 8 if name == "tree" else FRAMES
        make_run(base / name, frames=count, seed=11, size=(420, 560), start_utc=start,
                 fwhm_px=width, cards=cards, exposure_s=length)  # fmt: skip
    for path in (base / "binned").iterdir():
        _bin(path)
    for number in COVERED:
        _cover(sorted((base / "tree").iterdir())[number])
    return base


def _bin(path):
    """Bin two by two in the camera: charges add up, the gain stays."""
    with fits.open(path) as hdus:
        data, header = hdus[0].data.astype(np.int64), hdus[0].header
        rows, columns = data.shape
        whole = data.reshape(rows // 2, 2, columns // 2, 2).sum(axis=(1, 3)) - 3 * 500
        header.update(BINNED_KEYS)
        fits.writeto(path, np.clip(whole, 0, 65535).astype(np.uint16), header, overwrite=True)


def _cover(path):
    """Put something dark before two thirds of the frame: no stars, hardly a sky."""
    with fits.open(path) as hdus:
        data, header = hdus[0].data.astype(float), hdus[0].header
        rng = np.random.default_rng(3)
        part = data[: 2 * data.shape[0] // 3]
        part[:] = 500 + rng.normal(20, 5, part.shape)
        fits.writeto(path, np.rint(data).astype(np.uint16), header, overwrite=True)


@pytest.fixture
def read_once(archive, monkeypatch):
    """Measure each file once for all scans: what it gives hangs on its pixels alone."""
    memory = _MEMORY.setdefault(archive, {})

    def read(task):
        if task.path not in memory:
            memory[task.path] = read_file(task)
        return memory[task.path]

    monkeypatch.setattr(scanning, "read_file", read)
    monkeypatch.setattr(scanning._Scan, "_through", lambda self, _: self._in_turn())
    return archive


_MEMORY = {}


def scanned(archive, database, *batches, settings=ZERO):
    """Scan batches of paths below the archive, one after the other."""
    engine = open_store(str(database), settings)
    reports = [
        scanning.scan(engine, settings, [os.fsencode(archive / path) for path in batch])
        for batch in batches
    ]
    return engine, reports


def deep(engine):
    """Give effective time and grade of every frame by fingerprint."""
    return {r["fingerprint"]: (r["effective_s"], r["grade"]) for r in frame_rows(engine)}


def files_of(archive, *nights):
    """List files as paths below the archive."""
    return [path.relative_to(archive) for n in nights for path in sorted((archive / n).iterdir())]


# --- order ----------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_any_order_of_scanning_gives_equal_hours(read_once, tmp_path, seed):
    """All at once, or files one by one in any order with re-scans: equal to 1e-9.

    Frames, totals and what each night added; a wide night first, binned frames first.
    """
    at_once, _ = scanned(read_once, tmp_path / "once.sqlite", list(NIGHTS))
    rng = random.Random(seed)
    files = files_of(read_once, *NIGHTS)
    rng.shuffle(files)
    cuts = sorted(rng.sample(range(1, len(files)), 3))
    batches = [files[a:b] for a, b in zip([0, *cuts], [*cuts, len(files)], strict=True)]
    in_parts, _ = scanned(read_once, tmp_path / "parts.sqlite", *batches, files[:3], batches[0])
    one, other = deep(at_once), deep(in_parts)
    assert one.keys() == other.keys()
    for key, (seconds, grade) in one.items():
        assert other[key] == (seconds and pytest.approx(seconds, rel=1e-9), grade)
    for rows in (total_rows, lambda e: growth_rows(e, Selection())):
        for a, b in zip(rows(at_once), rows(in_parts), strict=True):
            assert a.keys() == b.keys()
            assert b == {k: near(v) for k, v in a.items()}
    assert sum(seconds is not None for seconds, _ in one.values()) >= 30


def near(value):
    """Compare floats to 1e-9, all else as it is."""
    return pytest.approx(value, rel=1e-9) if isinstance(value, float) else value


def test_a_subset_is_worth_what_it_is_alone(read_once, tmp_path):
    """A night scanned after others were there and one scanned first end at the same hours."""
    first, _ = scanned(read_once, tmp_path / "a.sqlite", ["wide"], ["sharp"])
    second, _ = scanned(read_once, tmp_path / "b.sqlite", ["sharp"], ["wide"])
    assert deep(first) == deep(second)


# --- what hours are worth -------------------------------------------------------------------


def worth(engine, night):
    """Give effective over kept time of a night."""
    (row,) = [r for r in growth_rows(engine, Selection()) if r["night"] == f"2026-10-{night}"]
    return row["effective_s"] / row["kept_s"] if row["effective_s"] else None


def test_a_night_alone_is_worth_its_length(read_once, tmp_path):
    """Frames all alike count a second for a second, relative to this night."""
    engine, _ = scanned(read_once, tmp_path / "a.sqlite", ["sharp"])
    assert worth(engine, "09") == pytest.approx(1.0, abs=0.05)
    (row,) = total_rows(engine)
    assert row["effective_note"] == "relative to the night of 2026-10-09 alone"


def test_twice_the_exposure_is_twice_the_hours(read_once, tmp_path):
    """Frames of 600 s beside such of 300 s: a second counts as much, or a little more.

    Read noise (3.4 e) is a hundredth of the variance that 300 s of this sky bring.
    """
    engine, _ = scanned(read_once, tmp_path / "a.sqlite", ["sharp", "long"])
    assert worth(engine, "17") / worth(engine, "09") == pytest.approx(1.0, abs=0.06)


def test_wider_stars_are_worth_their_square(read_once, tmp_path):
    """2.9 px wide before pixels and 2.4: (2.4 / 2.9)^2 = 0.68 for stars, all of it for nebulae."""
    engine, _ = scanned(read_once, tmp_path / "a.sqlite", ["sharp", "wide"])
    widths = [r["fwhm_px"] for r in frame_rows(engine)]
    ratio = np.median(widths[:FRAMES]) / np.median(widths[FRAMES:])
    assert worth(engine, "12") / worth(engine, "09") == pytest.approx(ratio**2, rel=0.05)
    extended = Settings(pedestal_adu=500.0, depth_form=DepthForm.EXTENDED)
    engine, _ = scanned(read_once, tmp_path / "b.sqlite", ["sharp", "wide"], settings=extended)
    assert worth(engine, "12") / worth(engine, "09") == pytest.approx(1.0, abs=0.06)
    assert {r["effective_form"] for r in frame_rows(engine)} == {"extended"}


def test_binned_frames_count(read_once, tmp_path):
    """The same sky binned two by two is as deep, but for wider stars and the noise of faint ones.

    Four times as large a pixel holds four times as many stars too faint to be seen, so that the
    measured noise is more than twice that of one pixel; both are taken from the measurements.
    """
    engine, _ = scanned(read_once, tmp_path / "a.sqlite", ["sharp", "binned"])
    rows = frame_rows(engine)
    (width, noise), (wider, noisier) = (
        [
            np.median([r[key] for r in rows if r["binning"] == b])
            for key in ("fwhm_arcsec", "noise_adu")
        ]
        for b in (1, 2)
    )
    expected = (width / wider * 2 * noise / noisier) ** 2
    assert worth(engine, "13") / worth(engine, "09") == pytest.approx(expected, rel=0.05)
    assert all(r["effective_s"] is not None for r in rows)
    alone, _ = scanned(read_once, tmp_path / "b.sqlite", ["binned"])
    assert worth(alone, "13") == pytest.approx(1.0, abs=0.05)


def test_what_stands_keeps_its_base(read_once, tmp_path):
    """Frames tied to another one's light are as deep when they are settled again, unchanged."""
    engine, _ = scanned(read_once, tmp_path / "a.sqlite", ["sharp", "binned"])
    before = written_out(engine)
    with reading(engine) as connection:
        (base,) = connection.execute(select(m.frame.c.depth_base).distinct()).scalars()
    with writing(engine) as connection:
        connection.execute(update(m.run).values(revision=m.run.c.revision + 1))
        connection.execute(delete(m.run_light))
    with reading(engine) as connection:
        assert runs_that_changed(connection) == []
    settle_all(engine, ZERO)
    assert written_out(engine) == before
    with reading(engine) as connection:
        assert connection.execute(select(m.run_light.c.base)).scalars().all() == [base] * 2


def test_unknown_gain_is_null_and_counted(read_once, tmp_path):
    """Frames of unknown gain have no effective time, and the night and the totals count them."""
    engine, _ = scanned(read_once, tmp_path / "a.sqlite", ["sharp", "gainless"])
    rows = [r for r in frame_rows(engine) if r["night"] == "2026-10-15"]
    assert [(r["effective_s"], r["effective_form"]) for r in rows] == [(None, None)] * FRAMES
    assert all(r["grade"] == "keep" for r in rows)
    (row,) = total_rows(engine)
    assert row["effective_note"].endswith("6 frames of unknown gain (e/ADU) not in it")
    assert row["effective_s"] == pytest.approx(FRAMES * 300, rel=0.05)
    (report,) = night_reports(engine, ZERO, Selection(night="2026-10-15"))
    assert report.worth.effective_s is None
    without_zero, _ = scanned(read_once, tmp_path / "b.sqlite", ["sharp"], settings=Settings())
    (row,) = total_rows(without_zero)
    assert (row["effective_s"], row["effective_note"]) == (
        None, "unknown: 6 frames of unknown zero level (bias or dark frames tell it)",
    )  # fmt: skip


def test_moonlit_nights_alone_are_said_and_a_moonless_one_takes_over(read_once, tmp_path):
    """Until there is a moonless night, hours are against moonlit nights so far."""
    engine, _ = scanned(read_once, tmp_path / "a.sqlite", ["lit"])
    (row,) = total_rows(engine)
    assert row["effective_note"].endswith("against moonlit nights so far")
    scanning.scan(engine, ZERO, [os.fsencode(read_once / "wide")])
    (row,) = total_rows(engine)
    assert row["effective_note"] is None


def test_covered_frames_set_no_reference(read_once, tmp_path):
    """Something dark before part of the sky: those frames have no depth, the others are worth
    their length, and none above one and a half times it."""
    engine, _ = scanned(read_once, tmp_path / "a.sqlite", ["tree"])
    rows = frame_rows(engine)
    covered = [rows[n]["effective_s"] for n in COVERED]
    clear = [r["effective_s"] / r["exposure_s"] for n, r in enumerate(rows) if n not in COVERED]
    assert covered == [None] * len(COVERED)
    assert clear == pytest.approx([1.0] * len(clear), abs=0.1)


def test_a_scan_tells_what_it_restated(read_once, tmp_path):
    """A better night makes earlier hours worth less; the scan says so, with the reason."""
    engine, reports = scanned(read_once, tmp_path / "a.sqlite", ["wide"], ["sharp"])
    assert reports[0].restated == []
    (one,) = reports[1].restated
    assert (one.target, one.filter) == ("M 33", "L")
    assert one.ratio == pytest.approx(worth(engine, "12"), rel=0.02)
    assert one.why == "a better night (2026-10-09) set the reference for sky and star widths"


def test_a_goal_about_depth_is_weighed_though_nobody_asks(read_once, tmp_path):
    """Without effective time in the list, what is to go is the same, for each form of a goal."""
    engine, _ = scanned(read_once, tmp_path / "a.sqlite", ["wide", "sharp"])
    for form, value in ((GoalForm.HOURS, 3.0), (GoalForm.GAIN, 1.5)):
        wish(engine, ZERO, Wish("M 33", "L", form, value), "somebody")
        scanning.scan(engine, ZERO, [os.fsencode(read_once / "long")])  # changes the depth reached
        (whole,) = totals_against_goals(engine, ZERO)
        (plain,) = totals_against_goals(engine, ZERO, with_worth=False)
        assert plain.to_go_s == whole.to_go_s
        assert (plain.kept_s, plain.nights) == (whole.kept_s, whole.nights)
        assert (plain.effective_s is None) == (form is GoalForm.HOURS)
        assert whole.effective_s is not None


def test_the_command_tells_hours_with_their_reason(read_once, tmp_path):
    """`night` and `totals --more` say what hours rest on; as a person calls them."""
    engine, _ = scanned(read_once, tmp_path / "a.sqlite", ["wide", "sharp", "gainless"])
    engine.dispose()

    def said(*words):
        command = [sys.executable, "-m", "runlog", "--db", str(tmp_path / "a.sqlite"), *words]
        done = subprocess.run(
            command, capture_output=True, text=True, env=environment(tmp_path), check=True
        )
        return " ".join(done.stdout.split())

    told = said("night", "2026-10-09")
    assert "effective 29 min at the reference's depth" in told or "effective 30 min at the" in told
    assert "its depth is unknown: 6 frames of unknown gain" in said("night", "2026-10-15")
    assert "6 frames of unknown gain (e/ADU) not in it" in said("totals", "--more")
