"""The real command on real frames of many instruments; the frames lie outside the repository.

Their references.tsv holds what independent work on the same pixels gives (elliptical Moffat fits,
stacked stars, adaptive moments, clipped sky), with the tolerance of each.
"""

from pathlib import Path

import pytest

from tests.bench.real import Cell, Scanned, reference_cells, runlog, scan
from tests.real import real_frames


@pytest.fixture(scope="module")
def scanned(tmp_path_factory: pytest.TempPathFactory) -> Scanned:
    """The whole folder in a database of its own."""
    return scan(real_frames(), tmp_path_factory.mktemp("real"))


@pytest.mark.slow
def test_every_number_agrees_with_its_reference(scanned: Scanned) -> None:
    """Width, shape, angle, sky, noise, kind, night and trails of every frame with a reference."""
    cells = reference_cells(scanned)
    assert len(cells) > 200
    assert [str(cell) for cell in cells if not cell.passed] == []


@pytest.mark.slow
def test_no_real_frame_has_a_read_out_fault(scanned: Scanned) -> None:
    """Overscan, dark edges, two detector halves and whole-number steps are the cameras' own."""
    blamed = [row["path"] for row in scanned.rows("frames") if "readout" in (row["faults"] or ())]
    assert blamed == []


@pytest.mark.slow
def test_the_real_night_is_one_night(scanned: Scanned) -> None:
    """A longitude written positive to the west does not break a night in two."""
    nights = {row["night"] for name, row in scanned.frames().items() if name.startswith("night/")}
    assert nights == {"2017-12-19"}


@pytest.mark.slow
def test_nothing_is_told_twice(scanned: Scanned) -> None:
    """A question that differs only in its numbers is asked once."""
    said = runlog(scanned.database, "check").stdout
    assert said.count("the Sun") <= 3


def test_an_angle_is_compared_round_the_half_circle() -> None:
    """Angles of 2 and 178 degrees lie 4 degrees apart."""
    assert Cell("f", "angle", 2.0, 178.0, 5.0).passed
    assert not Cell("f", "angle", 2.0, 170.0, 5.0).passed


def test_a_missing_number_falls_short() -> None:
    """A reference that runlog says nothing about is no pass."""
    assert not Cell("f", "fwhm", None, 2.4, 1.0).passed


def test_the_folder_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """RUNLOG_REAL_FRAMES names the folder; one that is not there skips the test."""
    monkeypatch.setenv("RUNLOG_REAL_FRAMES", str(tmp_path))
    assert real_frames() == tmp_path
    monkeypatch.setenv("RUNLOG_REAL_FRAMES", str(tmp_path / "none"))
    with pytest.raises(pytest.skip.Exception):
        real_frames()
