"""What stands out about rows, as evidence by place instead of one frame's verdict on itself."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "run_rows",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("camera_key", sa.String(), nullable=False),
        sa.Column("binning_x", sa.Integer(), nullable=False),
        sa.Column("binning_y", sa.Integer(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("rows", sa.JSON(), nullable=False),
        sa.Column("columns", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name="fk_run_rows_run_id_run"),
        sa.PrimaryKeyConstraint(
            "run_id", "camera_key", "binning_x", "binning_y", "width", "height", "source",
            name="pk_run_rows",
        ),
    )  # fmt: skip
    op.create_index("ix_run_rows_camera_key", "run_rows", ["camera_key"])
    op.add_column("frame", sa.Column("signs", sa.JSON(none_as_null=True), nullable=True))
    op.add_column("frame", sa.Column("readout_doubt", sa.String(), nullable=True))
    # Each frame was judged alone until now, and most verdicts were false: until its rows are
    # looked at again (scan --remeasure) a frame has none.
    op.execute("UPDATE frame SET readout = NULL")
    op.execute("UPDATE run SET revision = revision + 1")
