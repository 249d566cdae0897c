"""What a run shows to others and asks, and indexes that answer for long rows of frames."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

ASKING = "CAST({0} AS VARCHAR) != '[]'"


def upgrade() -> None:
    # Empty: a run of before is compared with others once more when it is settled the next time.
    op.add_column("run", sa.Column("shown", sa.String(32), nullable=False, server_default=""))
    op.add_column("run", sa.Column("asking", sa.Integer(), nullable=False, server_default="0"))
    op.drop_index("ix_frame_run_id", "frame")
    op.drop_index("ix_frame_taken_at_utc", "frame")
    _index("run", "run_id", "night_from")
    _index(
        "target",
        *("target", "filter", "target_raw", "width", "height", "kind", "counted"),
        *("ra_deg", "dec_deg", "exposure_s", "arcsec_per_px"),
    )
    _index("start", "taken_at_utc", "counted", "header_kind", "exposure_s", "camera_key")
    _index(
        "camera",
        *("camera_key", "kind", "counted", "binning_x", "binning_y", "width", "height", "run_id"),
    )
    _index("measured_with", "measured_with", "header_kind")
    _index("matched_to", "matched_to")
    _index("corrected", "run_id", where="corrected IS NOT NULL")
    _index("lines", "run_id", where="streaks_seen IS NOT NULL")
    _index("unlooked", "header_kind", where="level IS NOT NULL AND signs IS NULL")
    asks = " OR ".join(map(ASKING.format, ("header_questions", "run_questions")))
    op.execute(
        "UPDATE run SET asking = "  # nosec B608: nothing but what is written in this file
        f"(SELECT count(*) FROM frame WHERE frame.run_id = run.id AND ({asks}))"
    )


def _index(name: str, *columns: str, where: str | None = None) -> None:
    only = None if where is None else sa.text(where)
    op.create_index(
        f"ix_frame_{name}", "frame", list(columns), sqlite_where=only, postgresql_where=only
    )
