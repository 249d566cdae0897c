"""How high the brightest stars stand above the sky."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("frame", sa.Column("peak_adu", sa.Float(), nullable=True))
