"""What each rig's frames are graded by, and who said so when."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Nothing is filled in: a rig's set is what the config says when it is graded the next time,
    # as the grades of before rest on what it said then, of which only a digest is known.
    op.create_table(
        "rig_settings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("rig_id", sa.Integer(), nullable=False),
        sa.Column("says", sa.JSON(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("at_utc", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["rig_id"], ["rig.id"], name=op.f("fk_rig_settings_rig_id_rig")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rig_settings")),
    )
    op.create_index(op.f("ix_rig_settings_rig_id"), "rig_settings", ["rig_id"])
