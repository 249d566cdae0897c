"""What Sun and Moon did in the night of each run; filled in when a run is settled again."""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "run_sky",
        sa.Column("run_id", sa.Integer(), nullable=False),
        *[
            sa.Column(name, sa.Float(), nullable=False)
            for name in ("latitude_deg", "longitude_deg", "elevation_m")
        ],
        *[
            sa.Column(name, sa.DateTime(), nullable=True)
            for name in ("dark_start_utc", "dark_end_utc")
        ],
        sa.Column("moon", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_run_sky_run_id_run")),
        sa.PrimaryKeyConstraint("run_id", name=op.f("pk_run_sky")),
    )
