"""What lies at the same pixels in a camera's other exposures is not shown as a trail."""

import numpy as np
import pytest

from tests.measure.fields import add_line
from tests.tools import content, moment, rows, runlog_json, scan_into, write_frame

GHOST = (40, 60, 360, 250)  # a soft line of light in every frame, such as a reflection
TRAIL = (30, 260, 370, 90)


def frame(folder, k, *lines, day=0):
    """Write one frame of a sky without stars."""
    rng = np.random.default_rng([k, day])
    pixels = np.rint(rng.normal(800, 15, (300, 400))).astype(np.uint16)
    for line in lines:
        add_line(pixels, line, 120, 3.0, seed=k)
    start = moment(400.0 * k).replace("2026-10-09", f"2026-10-{9 + day:02d}")
    return write_frame(folder / f"night_{day}_{k}.fits", pixels, DATE__OBS=start)


@pytest.fixture
def night(tmp_path):
    """Five frames with a ghost, the third with a trail as well."""
    return [frame(tmp_path / "a", k, GHOST, *([TRAIL] if k == 2 else [])) for k in range(5)]


def test_a_ghost_in_every_frame_is_no_trail(tmp_path, night):
    """Guards the list of a night: only the trail of one frame is left."""
    scan_into(tmp_path / "night.sqlite", *night)
    listed = runlog_json(tmp_path, "frames")["rows"]
    assert [len(row["streaks"]) for row in listed] == [0, 0, 1, 0, 0]
    seen = rows(tmp_path / "night.sqlite", "streaks_seen")
    assert [len(lines) for (lines,) in seen] == [1, 1, 2, 1, 1]


def test_the_order_of_scans_changes_nothing(tmp_path, night):
    """Guards a frame scanned alone first, then with others and with another night."""
    alone = frame(tmp_path / "b", 0, GHOST, day=3)
    together, apart = tmp_path / "together.sqlite", tmp_path / "apart.sqlite"
    scan_into(together, *night, alone)
    scan_into(apart, alone)
    assert [len(lines) for (lines,) in rows(apart, "streaks")] == [1]  # nothing to tell it by
    for path in night[::-1]:
        scan_into(apart, path)
    assert content(apart)["frame"] == content(together)["frame"]
    assert [len(lines or ()) for (lines,) in rows(apart, "streaks")] == [0, 0, 1, 0, 0, 0]
