"""What each run says to months of its rig; filled in by the first command that settles."""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "run_series",
        sa.Column("run_id", sa.Integer(), nullable=False),
        *[sa.Column(name, sa.JSON(), nullable=False) for name in ("points", "darks", "sweeps")],
        sa.Column("swept", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_run_series_run_id_run")),
        sa.PrimaryKeyConstraint("run_id", name=op.f("pk_run_series")),
    )
