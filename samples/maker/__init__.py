"""Makes sample nights of an invented rig, drawn from a seed: no real sky data in them."""

from .make import make_nights
from .quick import make_run
from .write import Truth, write_truths

__all__ = ["Truth", "make_nights", "make_run", "write_truths"]
