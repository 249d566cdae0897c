"""The arc seconds a stored pixel covers, also where only world coordinates tell it."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

ARCSEC_PER_UM_A_MM = 206.26480624709636  # 3600 x 180 / pi / 1000


def upgrade() -> None:
    op.add_column("frame", sa.Column("arcsec_per_px", sa.Float(), nullable=True))
    # What was known before: pixel size, binning and focal length.
    # Nothing but what is written in this file.
    op.execute(
        "UPDATE frame SET arcsec_per_px = "  # nosec B608
        f"{ARCSEC_PER_UM_A_MM} * pixel_um * binning_x / focal_mm "
        "WHERE pixel_um > 0 AND focal_mm > 0"
    )
