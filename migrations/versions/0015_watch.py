"""A watch keeps beside the frames what it said of each, and what it warned of."""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "watch_look",
        sa.Column("frame_id", sa.Integer(), nullable=False),
        sa.Column("at_utc", sa.DateTime(), nullable=False),
        sa.Column("grade", sa.String(), nullable=False),
        sa.Column("faults", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["frame_id"], ["frame.id"], name=op.f("fk_watch_look_frame_id_frame")
        ),
        sa.PrimaryKeyConstraint("frame_id", name=op.f("pk_watch_look")),
    )
    op.create_table(
        "watch_state",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("says", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_watch_state_run_id_run")),
        sa.PrimaryKeyConstraint("run_id", name=op.f("pk_watch_state")),
    )
    op.create_table(
        "watch_told",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=True),
        sa.Column("at_utc", sa.DateTime(), nullable=False),
        *[sa.Column(name, sa.String(), nullable=False) for name in ("kind", "cause")],
        sa.Column("since_utc", sa.DateTime(), nullable=True),
        sa.Column("frames", sa.Integer(), nullable=True),
        sa.Column("words", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_watch_told_run_id_run")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_watch_told")),
    )
    op.create_index(op.f("ix_watch_told_run_id"), "watch_told", ["run_id"])
