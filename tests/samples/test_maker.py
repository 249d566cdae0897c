"""Whole sample sets: headers, scripts, the committed files, the command line."""

from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from runlog.core.frame import FaultName, Kind
from samples.maker import make_nights, make_run
from samples.maker.make import plan
from samples.maker.scenario import NIGHTS
from samples.maker.shot import Shot
from samples.maker.write import header

from .conftest import COMMITTED

DAMAGED = "damaged"


def _frames(folder: Path) -> list[Path]:
    return sorted(p for p in folder.rglob("*.fits*") if DAMAGED not in p.parts)


def _read(path: Path) -> tuple[np.ndarray, fits.Header]:
    with fits.open(path) as file:
        image = file[1 if path.suffix == ".fz" else 0]
        return image.data.copy(), image.header.copy()


def _lights(scale: str) -> Iterator[list[Shot]]:
    """Give the light and focus shots night by night."""
    shots = plan(scale=scale, nights=len(NIGHTS[scale]))
    for script in NIGHTS[scale]:
        yield [s for s in shots if s.path.startswith(script.evening)]


def test_every_file_is_valid_fits(small_set: Path) -> None:
    """Guards the writer: astropy's verifier, set to raise, finds nothing (FITS Standard 4.0)."""
    for path in _frames(small_set):
        with fits.open(path) as file:
            file.verify("exception")


def test_headers_carry_the_keywords_of_the_standard(small_set: Path) -> None:
    """Guards the header: keywords and meanings of SBFITSEXT 1.0 (2003) and FITS Standard 4.0."""
    _, cards = _read(next(p for p in _frames(small_set) if "lights" in p.parts))
    assert cards["IMAGETYP"] == "Light Frame"
    assert cards["EXPTIME"] == 300.0
    assert datetime.fromisoformat(cards["DATE-OBS"]).tzinfo is None  # UTC without a suffix
    assert {"FILTER", "OBJECT", "OBJCTRA", "OBJCTDEC", "SITELAT", "SITELONG"} <= set(cards)
    assert {"XPIXSZ", "XBINNING", "CCD-TEMP", "SET-TEMP", "FOCALLEN", "APTDIA"} <= set(cards)
    assert {"INSTRUME", "TELESCOP", "SWCREATE", "SBSTDVER"} <= set(cards)


def test_focus_frames_are_small_binned_and_short(small_set: Path) -> None:
    """Guards autofocus frames: SBFITSEXT's XPIXSZ includes the binning; the focuser steps."""
    frames = [_read(p) for p in _frames(small_set) if "focus" in p.parts]
    assert len(frames) >= 5
    assert len({cards["FOCPOS"] for _, cards in frames}) == len(frames)
    for pixels, cards in frames:
        assert pixels.shape == (204, 272)
        assert (cards["XBINNING"], cards["XPIXSZ"], cards["EXPTIME"]) == (2, 9.6, 4.0)
        assert cards["IMAGETYP"] == "Light Frame"


def test_declared_position_is_the_dithered_one() -> None:
    """Guards RA and DEC: as far from the target as the stars are from the frame's centre."""
    for shot in next(_lights("demo")):
        assert shot.scene is not None
        cards, place, target = header(shot), shot.scene.place, shot.scene.target
        north_px = (cards["DEC"] - target.dec_deg) * 3600 / shot.rig.arcsec_px
        east_px = (cards["RA"] - target.ra_deg) * 3600 / shot.rig.arcsec_px
        east_px *= np.cos(np.radians(target.dec_deg))
        moved_px = np.hypot(place.shift_x_px, place.shift_y_px)
        assert np.hypot(north_px, east_px) == pytest.approx(moved_px, abs=0.05)


@pytest.mark.parametrize("scale", list(NIGHTS))
def test_exposures_follow_one_another(scale: str) -> None:
    """Guards the clock: no exposure starts before the last has ended, in the night it belongs to,
    with the Sun well down; file names are never used twice."""
    for shots in _lights(scale):
        assert len({s.path for s in shots}) == len(shots)
        for before, after in pairwise(shots):
            assert after.start_utc >= before.start_utc + timedelta(seconds=before.exposure_s)
        for shot in shots:
            assert shot.at is not None and shot.at.sun_alt_deg < -10.0
            assert shot.at.altitude_deg > 30.0


def test_telescope_changes_side_at_the_meridian() -> None:
    """Guards the flip: looking east it stands west of the pier; past the meridian it stands east
    and the field is turned by 180 deg. Common practice, no source."""
    for shots in _lights("demo"):
        for shot in shots:
            assert shot.at is not None and shot.scene is not None
            base = shot.scene.target.angle_deg
            if abs(shot.at.hour_angle_h) > 0.2:
                west_of_pier = shot.at.hour_angle_h < 0
                assert shot.pier_side == ("WEST" if west_of_pier else "EAST")
            turned = shot.scene.place.rotation_deg - base
            assert turned == (180.0 if shot.pier_side == "EAST" else 0.0)
        assert {s.pier_side for s in shots} == {"WEST", "EAST"}


def test_demo_shows_what_goes_wrong() -> None:
    """Guards the scripts: every fault the demo promises is there, most frames are clean."""
    lights = [s for night in _lights("demo") for s in night if s.kind == "light"]
    faults = Counter(name for shot in lights for name in shot.faults)
    promised = {"trailed", "doubled", "defocused", "soft", "cloud", "bright-sky", "streak"}
    assert set(faults) == promised
    assert faults["trailed"] == 5 and faults["doubled"] == 1
    assert 5 <= faults["cloud"] <= 12
    assert sum(not shot.faults for shot in lights) > 0.65 * len(lights)
    assert {s.band.key for s in lights if s.band} == {"L", "R", "G", "B", "Ha"}


def test_focus_drift_is_caused_by_the_cold_and_ends_with_the_refocus() -> None:
    """Guards the drift: the focuser stands still while the air cools and blur grows; frames after
    the autofocus run are sharp."""
    shots = next(_lights("demo"))
    lights = [s for s in shots if s.kind == "light"]
    stuck = [s for s in lights[10:24] if s.filter_written == "Lum"]
    assert len({s.focus_steps for s in stuck}) == 1
    blurs = [s.scene.psf.blur_px for s in stuck if s.scene]
    temperatures = [s.air_c for s in stuck]
    assert blurs == sorted(blurs) and temperatures == sorted(temperatures, reverse=True)
    # Blur by geometry: focus error over focal ratio, 38 um a degree, in 4.8 um pixels.
    cooled_c = lights[9].air_c - lights[23].air_c
    assert lights[23].scene and lights[23].scene.psf.blur_px == pytest.approx(
        cooled_c * 38.0 / 6.0 / 4.8, rel=0.01
    )
    assert lights[24].scene and lights[24].scene.psf.blur_px < 0.3


def test_spellings_differ_from_night_to_night() -> None:
    """Guards the mess of real headers: one filter and one target under two names each."""
    lights = [s for night in _lights("demo") for s in night if s.kind == "light"]
    assert {s.filter_written for s in lights} >= {"L", "Lum", "Ha", "H-alpha", "R", "Red"}
    assert {s.target_written for s in lights} == {"NGC7000", "NGC 7000", "M33", "M 33"}


def test_full_scale_is_seventy_one_large_frames() -> None:
    """Guards the speed set: 71 lights of 5 minutes, 3296 x 2472 pixels."""
    shots = plan(scale="full")
    assert len(shots) == 71
    assert {(s.rig.camera.columns, s.rig.camera.rows, s.exposure_s) for s in shots} == {
        (3296, 2472, 300.0)
    }


def test_committed_set_is_what_the_maker_makes(small_set: Path) -> None:
    """Guards samples/night: same files, same headers; pixels within the 1 ADU that rounding may
    differ by on another processor."""
    fresh = [p.relative_to(small_set) for p in _frames(small_set)]
    assert fresh == [p.relative_to(COMMITTED) for p in _frames(COMMITTED)]
    for path in fresh:
        ours, our_cards = _read(small_set / path)
        theirs, their_cards = _read(COMMITTED / path)
        assert ours.shape == theirs.shape
        assert np.abs(ours.astype(int) - theirs.astype(int)).max() <= 1
        assert [c.rawvalue for c in our_cards.cards] == [c.rawvalue for c in their_cards.cards]


def test_committed_set_is_small() -> None:
    """Guards the repository: under 8 MB."""
    assert sum(p.stat().st_size for p in COMMITTED.rglob("*") if p.is_file()) < 8e6


def test_committed_set_shows_every_kind(small_truths: list[dict[str, Any]]) -> None:
    """Guards the newcomer's set: clean, cloudy, trailed and defocused lights, calibration, a copy,
    damaged files."""
    kinds = Counter(row["kind"] for row in small_truths)
    assert set(kinds) == {"light", "focus", "flat", "flat-dark", "bias", "dark"}
    faults = Counter(name for row in small_truths for name in row["faults"])
    assert {"cloud", "trailed", "defocused", "streak", "unreadable"} <= set(faults)
    assert sum(row["copy_of"] is not None for row in small_truths) == 1
    clean = [r for r in small_truths if r["kind"] == "light" and not r["faults"]]
    assert len(clean) >= 12


def test_truth_speaks_the_projects_words(small_truths: list[dict[str, Any]]) -> None:
    """Guards the vocabulary: kinds and faults are those that frames are graded with."""
    lights = [s for night in _lights("demo") for s in night]
    assert {s.kind for s in lights} | {row["kind"] for row in small_truths} <= set(Kind)
    drawn = {name for s in lights for name in s.faults}
    assert drawn | {name for row in small_truths for name in row["faults"]} <= set(FaultName)


def test_truth_names_the_files_that_are_there(
    small_set: Path, small_truths: list[dict[str, Any]]
) -> None:
    """Guards truth.json: one row a file, and only files that exist."""
    paths = [row["path"] for row in small_truths]
    there = {p.relative_to(small_set).as_posix() for p in small_set.rglob("*.fits*")}
    assert len(paths) == len(set(paths)) and set(paths) == there


def test_backup_is_the_same_file_twice(small_set: Path, small_truths: list[dict[str, Any]]) -> None:
    """Guards the duplicate: byte for byte a copy in another folder."""
    row = next(row for row in small_truths if row["copy_of"])
    assert Path(row["path"]).parent != Path(row["copy_of"]).parent
    assert (small_set / row["path"]).read_bytes() == (small_set / row["copy_of"]).read_bytes()


def test_damaged_files_are_damaged(small_set: Path) -> None:
    """Guards the damaged folder: one is no FITS at all, one promises more than it holds."""
    with pytest.raises(OSError, match="SIMPLE"):
        fits.open(small_set / DAMAGED / "notes.fits")
    cut = small_set / DAMAGED / "M33_L_300s_0099.fits"
    cards = fits.Header.fromfile(cut)
    assert cut.stat().st_size < cards["NAXIS1"] * cards["NAXIS2"] * 2


def test_wrong_requests_are_refused(tmp_path: Path) -> None:
    """Guards the arguments: unknown scale, more nights than written."""
    with pytest.raises(ValueError, match="scale must be"):
        make_nights(tmp_path, scale="huge")
    with pytest.raises(ValueError, match="nights must be 1 to 3"):
        make_nights(tmp_path, nights=4)


def test_executor_and_progress_are_used(tmp_path: Path, small_set: Path) -> None:
    """Guards the parallel path: any executor gives the same frames; progress counts to the end."""
    seen: list[tuple[int, int]] = []
    with ThreadPoolExecutor(2) as executor:
        truths = make_nights(
            tmp_path,
            scale="small",
            nights=1,
            progress=lambda done, total: seen.append((done, total)),
            executor=executor,
        )
    assert [done for done, _ in seen] == list(range(1, seen[0][1] + 1))
    for truth in truths[:3]:
        ours, _ = _read(truth.path)
        theirs, _ = _read(small_set / truth.path.relative_to(tmp_path))
        assert np.array_equal(ours, theirs)


class TestQuickRun:
    """The helper that other tests make their frames with."""

    def test_writes_clean_lights_in_time_order(self, tmp_path: Path) -> None:
        """Guards the defaults: N lights, one after another, nothing wrong with them."""
        start = datetime(2026, 11, 7, 20, tzinfo=UTC)
        truths = make_run(tmp_path, 3, size=(120, 160), start_utc=start, overhead_s=20.0)
        assert [t.start_utc for t in truths] == [
            start + i * timedelta(seconds=320) for i in range(3)
        ]
        assert all(t.kind == "light" and t.faults == () for t in truths)
        pixels, cards = _read(truths[0].path)
        assert pixels.shape == (120, 160) and cards["OBJECT"] == "M33"

    def test_overrides_change_one_frame(self, tmp_path: Path) -> None:
        """Guards overrides: each changes its frame and no other; None removes a card."""
        start = datetime(2026, 11, 7, 22, tzinfo=UTC)
        truths = make_run(
            tmp_path,
            4,
            size=(120, 160),
            cards={"OBSERVER": "nobody"},
            overrides={
                1: {"fault": "trailed", "cards": {"GAIN": None, "FILTER": "Luminance"}},
                2: {"start_utc": start, "exposure_s": 60.0, "filter": "Ha", "name": "odd.fits"},
            },
        )
        plain, changed, odd = (_read(truths[i].path)[1] for i in (0, 1, 2))
        assert truths[1].faults == ("trailed",) and truths[0].faults == ()
        assert "GAIN" in plain and "GAIN" not in changed and changed["FILTER"] == "Luminance"
        assert {c["OBSERVER"] for c in (plain, changed, odd)} == {"nobody"}
        assert (odd["DATE-OBS"], odd["EXPTIME"]) == ("2026-11-07T22:00:00.000", 60.0)
        assert (truths[2].path.name, truths[2].filter) == ("odd.fits", "Ha")

    def test_equal_seeds_give_equal_pixels(self, tmp_path: Path) -> None:
        """Guards seeds: two frames told the same seed are one image, others are not."""
        same = {"seed": (4, 4)}
        truths = make_run(tmp_path, 3, size=(120, 160), overrides={0: same, 1: same})  # type: ignore[dict-item]
        first, second, third = (_read(t.path)[0] for t in truths)
        assert np.array_equal(first, second) and not np.array_equal(first, third)

    @pytest.mark.parametrize("change", [{"fault": "gremlins"}, {"exposure": 60.0}])
    def test_unknown_changes_are_refused(self, tmp_path: Path, change: dict[str, Any]) -> None:
        """Guards typing errors in tests: nothing unknown is silently ignored."""
        with pytest.raises(ValueError, match=r"fault must be|unknown override"):
            make_run(tmp_path, 1, size=(120, 160), overrides={0: change})  # type: ignore[dict-item]

    @pytest.mark.parametrize("suffix", [".fit", ".fits.fz", ".fits.gz"])
    def test_other_file_forms(self, tmp_path: Path, suffix: str) -> None:
        """Guards file forms: the same pixels in every one (FITS Standard 4.0, section 10)."""
        plain = make_run(tmp_path / "a", 1, size=(120, 160))[0]
        other = make_run(tmp_path / "b", 1, size=(120, 160), suffix=suffix)[0]
        assert other.path.name.endswith(suffix)
        assert np.array_equal(_read(plain.path)[0], _read(other.path)[0])
