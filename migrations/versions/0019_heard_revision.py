"""Which runs are to be graded anew and nothing more: what other nights say moves no frame."""

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column(
        "run", sa.Column("heard_revision", sa.Integer(), nullable=False, server_default="-1")
    )
