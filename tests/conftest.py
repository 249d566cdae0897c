"""What every test may ask for."""

from pathlib import Path

import pytest


@pytest.fixture
def database(tmp_path: Path) -> Path:
    """Name a database file that does not exist yet."""
    return tmp_path / "night.sqlite"


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    """Make an empty folder for frames."""
    folder = tmp_path / "frames"
    folder.mkdir()
    return folder
