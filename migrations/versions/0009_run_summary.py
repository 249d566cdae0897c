"""What a run says to the rig's other nights, notes on a rig, and what runs were worth before."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

RUN_BEFORE = sa.table(
    "run_before",
    sa.column("run_id"),
    sa.column("grades", sa.JSON()),
    *map(sa.column, ("kept_s", "effective_s", "by_one_frame")),
)


def upgrade() -> None:
    op.create_table(
        "run_summary",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("filter", sa.String(), nullable=False),
        sa.Column("setting", sa.String(), nullable=False),
        sa.Column("measured_with", sa.Integer(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("usable", sa.Integer(), nullable=False),
        *[
            sa.Column(name, sa.Float(), nullable=True)
            for name in (
                "fwhm_px",
                "fwhm_floor_px",
                "profile",
                "sky_adu_s",
                "exposure_s",
                "noise_adu",
                "hot_pixels_ppm",
                "overhead_s",
            )
        ],
        sa.Column("elongations", sa.JSON(), nullable=False),
        sa.Column("lights", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_run_summary_run_id_run")),
        sa.PrimaryKeyConstraint("run_id", "filter", "setting", name=op.f("pk_run_summary")),
    )
    # Widths alone, of all frames: every run sums itself up when it is settled the next time.
    op.drop_table("run_usual")
    _make_notes()
    _remember_what_was()
    op.execute("UPDATE run SET revision = revision + 1")


def _make_notes() -> None:
    op.create_table(
        "rig_note",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("rig_id", sa.Integer(), nullable=False),
        sa.Column("night", sa.String(length=10), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("changed", sa.Boolean(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("at_utc", sa.DateTime(), nullable=False),
        sa.Column("undoes", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["rig_id"], ["rig.id"], name=op.f("fk_rig_note_rig_id_rig")),
        sa.ForeignKeyConstraint(
            ["undoes"], ["rig_note.id"], name=op.f("fk_rig_note_undoes_rig_note")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rig_note")),
    )
    op.create_index(op.f("ix_rig_note_rig_id"), "rig_note", ["rig_id"])


def _remember_what_was() -> None:
    """Keep each run's grades and hours, to tell what changes when all is graded anew."""
    op.create_table(
        "run_before",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("grades", sa.JSON(), nullable=False),
        sa.Column("kept_s", sa.Float(), nullable=False),
        sa.Column("effective_s", sa.Float(), nullable=True),
        sa.Column("by_one_frame", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_run_before_run_id_run")),
        sa.PrimaryKeyConstraint("run_id", name=op.f("pk_run_before")),
    )
    connection = op.get_bind()
    sums = sa.text("SELECT run_id, SUM(effective_s) FROM run_sum GROUP BY run_id")
    hours: dict[int, float | None] = dict(connection.execute(sums).all())
    lights = sa.text(
        "SELECT run_id, id, grade, exposure_s FROM frame "
        "WHERE kind = 'light' AND counted ORDER BY id"
    )
    rows: dict[int, dict[str, Any]] = {}
    for run, number, grade, exposure_s in connection.execute(lights):
        row = rows.setdefault(run, _nothing(run, hours.get(run)))
        row["grades"].setdefault(grade, []).append(number)
        row["kept_s"] += (exposure_s or 0.0) if grade == "keep" else 0.0
    if rows:
        connection.execute(sa.insert(RUN_BEFORE), list(rows.values()))


def _nothing(run: int, effective_s: float | None) -> dict[str, Any]:
    return {
        "run_id": run,
        "grades": {},
        "kept_s": 0.0,
        "effective_s": effective_s,
        "by_one_frame": True,
    }
