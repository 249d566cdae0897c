"""Where a night's polar axis points, as a chart of the sky about the pole."""

from runlog.core.alignment.night import Alignment
from runlog.core.charts import Plot, axis_of, ticks_between

NAME = "arc minutes above the pole, over arc minutes east of it; the line holds 90 %"
ROOM = 1.15  # times the farthest, to each side


def axis_chart(told: Alignment) -> Plot | None:
    """Lay out the pole and the ellipse; None where the axis, or its side, is not known."""
    if told.axis is None or not told.known_side:
        return None
    outline = [(float(east), float(up)) for up, east in told.axis.outline]
    far = ROOM * max(abs(v) for place in outline for v in place)
    spot = () if told.below_floor else ((told.axis.east, told.axis.up),)
    return Plot(
        NAME,
        (-far, far),
        ticks_between(-far, far),
        axis_of([-far, far], may_cut=False),
        spot,
        ((*outline, outline[0]),),
        ((0.0, "pole"),),
    )
