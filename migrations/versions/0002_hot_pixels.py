"""The share of single bright pixels a frame has."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("frame", sa.Column("hot_pixels_ppm", sa.Float(), nullable=True))
