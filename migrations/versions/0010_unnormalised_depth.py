"""Depth without a reference is stored, and divided by the references of today when it is read."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

LACKING = ("lack_gain", "lack_zero", "lack_stars", "lack_whole")
KEPT = (
    "kept_known_s",
    "kept_light_s_e2_adu2",
    "kept_point_s2_adu2",
    "kept_extended_s2_arcsec2_adu2",
)


def upgrade() -> None:
    _make_tables()
    op.drop_table("depth_reference")
    op.drop_column("run_sum", "effective_s")
    for name in LACKING:
        op.add_column("run_sum", sa.Column(name, sa.Integer(), nullable=False, server_default="0"))
    op.add_column(
        "run", sa.Column("depth_form", sa.String(), nullable=False, server_default="point")
    )
    op.drop_column("frame", "effective_s")
    op.drop_column("frame", "effective_form")
    for name, kind in (
        ("depth_base", sa.String(32)),
        ("light_e_adu", sa.Float()),
        ("point_s2_adu2", sa.Float()),
        ("extended_s2_arcsec2_adu2", sa.Float()),
        ("depth_lacks", sa.String()),
    ):
        op.add_column("frame", sa.Column(name, kind, nullable=True))
    # All of it follows from what is stored: settling reckons it, no file is needed.
    op.execute("UPDATE run SET revision = revision + 1")


def _make_tables() -> None:
    op.create_table(
        "run_depth",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("filter", sa.String(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("moonless", sa.Boolean(), nullable=True),
        sa.Column("point_s_e2", sa.Float(), nullable=False),
        sa.Column("extended_s_arcsec2_e2", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_run_depth_run_id_run")),
        sa.PrimaryKeyConstraint("run_id", "filter", name=op.f("pk_run_depth")),
    )
    op.create_table(
        "run_light",
        *_of_run_target_filter(),
        sa.Column("base", sa.String(32), nullable=False),
        sa.Column("light2_e2_adu2", sa.Float(), nullable=True),
        sa.Column("kept_frames", sa.Integer(), nullable=False),
        *[sa.Column(name, sa.Float(), nullable=False) for name in KEPT],
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_run_light_run_id_run")),
        sa.PrimaryKeyConstraint("run_id", "target", "filter", "base", name=op.f("pk_run_light")),
    )
    op.create_table(
        "light_tie",
        sa.Column("base", sa.String(32), nullable=False),
        sa.Column("other", sa.String(32), nullable=False),
        sa.Column("light", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("base", "other", name=op.f("pk_light_tie")),
    )


def _of_run_target_filter() -> list["sa.Column[Any]"]:
    return [
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("target", sa.String(), nullable=False),
        sa.Column("filter", sa.String(), nullable=False),
    ]
