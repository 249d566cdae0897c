"""The columns of the list leave room for the reasons."""

import pytest

from runlog.core.frame import FaultName
from runlog.tui.frame_table import PICK, layout


@pytest.mark.parametrize("dated", [False, True])
@pytest.mark.parametrize("width", [79, 80, 100, 110, 120, 130, 140, 150, 160])
def test_the_reason_is_there_in_full(width: int, dated: bool) -> None:
    """Whatever the width, with dates or without, the longest name of a fault can be read."""
    taken = PICK + sum(cell.width + 1 for cell in layout(width, dated))
    assert width - taken >= max(len(name.value) for name in FaultName)
