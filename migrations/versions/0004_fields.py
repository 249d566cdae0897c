"""What a frame was laid on past other fields of its name, and whether others show its field."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("frame", sa.Column("matched_past", sa.String(length=16), nullable=True))
    op.add_column("frame", sa.Column("best_of_name", sa.String(length=32), nullable=True))
    op.add_column("frame", sa.Column("field_runs", sa.Integer(), nullable=True))
    # Frames matched by their name alone may lie on another field's reference.
    matched = "SELECT run_id FROM frame WHERE matched_to IS NOT NULL"
    # Nothing but what is written in this file.
    op.execute(f"UPDATE run SET revision = revision + 1 WHERE id IN ({matched})")  # nosec B608
