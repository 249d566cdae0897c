"""Each run counts its frames by what they were taken with; which runs share a reference."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

WORDS = ("kind", "kind_from", "filter", "camera_key")
SIZES = ("binning_x", "binning_y", "width", "height")
COUNTS = ("frames", "kept", "doubtful")


def upgrade() -> None:
    op.create_table(
        "run_shots",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        *[sa.Column(name, sa.String(), nullable=False) for name in WORDS],
        *[sa.Column(name, sa.Float(), nullable=True) for name in ("exposure_s", "cold_c")],
        *[sa.Column(name, sa.Float(), nullable=True) for name in ("gain", "offset")],
        sa.Column("readout_mode", sa.String(), nullable=True),
        *[sa.Column(name, sa.Integer(), nullable=False) for name in SIZES],
        sa.Column("rotator_deg", sa.Float(), nullable=True),
        sa.Column("combined", sa.Integer(), nullable=True),
        *[sa.Column(name, sa.Integer(), nullable=False) for name in COUNTS],
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_run_shots_run_id_run")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_run_shots")),
    )
    op.create_index(op.f("ix_run_shots_run_id"), "run_shots", ["run_id"])
    op.drop_index("ix_frame_matched_to", "frame")
    op.create_index("ix_frame_matched_to", "frame", ["matched_to", "run_id"])
    # Grades stand; what differs since the last settling is counted when that run is settled.
    own = (
        'run_id, filter, exposure_s, kind, kind_from, camera_key, gain, "offset", readout_mode, '
        "binning_x, binning_y, width, height, rotator_deg, combined"
    )
    cold = "round(coalesce(set_c, sensor_c))"
    query = (
        f"INSERT INTO run_shots ({own}, cold_c, frames, kept, doubtful) "  # nosec B608
        f"SELECT {own}, {cold}, count(*), sum(CASE WHEN grade = 'keep' THEN 1 ELSE 0 END), "
        "sum(CASE WHEN grade = 'doubtful' THEN 1 ELSE 0 END) FROM frame "
        "WHERE (kind = 'light' AND counted) OR kind = 'stack' OR "
        "(kind IN ('dark', 'flat', 'flat-dark', 'bias') AND counted AND stage = 'raw') "
        f"GROUP BY {own}, {cold}"
    )
    op.execute(query)
