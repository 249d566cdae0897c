"""What pictures of flats say of dust, so that no pair of pictures is compared twice."""

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "run_dust",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("pictures", sa.String(), nullable=False),
        sa.Column("shadows", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_run_dust_run_id_run")),
        sa.PrimaryKeyConstraint("run_id", "pictures", name=op.f("pk_run_dust")),
    )
