"""One fresh small set for all tests of the maker, made through its command line."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
COMMITTED = ROOT / "samples" / "night"


@pytest.fixture(scope="session")
def small_set(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make the small set in a folder of its own."""
    folder = tmp_path_factory.mktemp("small")
    command = [sys.executable, "-m", "samples.maker", str(folder), "--scale", "small", "--truth"]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True, timeout=120)
    return folder


@pytest.fixture(scope="session")
def small_truths(small_set: Path) -> list[dict[str, Any]]:
    """Read what the small set was drawn with."""
    rows: list[dict[str, Any]] = json.loads((small_set / "truth.json").read_text())
    return rows
