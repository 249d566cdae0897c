"""Who shares a database, whose rig it is, whose mark decides, and goals of one's own."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "member",
        *[sa.Column(name, sa.String(), nullable=False) for name in ("login", "role", "who")],
        sa.Column("at_utc", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("login", name=op.f("pk_member")),
    )
    op.create_table(
        "rig_member",
        sa.Column("rig_id", sa.Integer(), nullable=False),
        sa.Column("login", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["rig_id"], ["rig.id"], name=op.f("fk_rig_member_rig_id_rig")),
        sa.PrimaryKeyConstraint("rig_id", "login", name=op.f("pk_rig_member")),
    )
    # Until now whoever could write could decide, and a goal was everybody's.
    op.add_column(
        "mark", sa.Column("decides", sa.Boolean(), nullable=False, server_default=sa.true())
    )
    op.create_index(
        "ix_mark_noted",
        "mark",
        ["frame_id"],
        sqlite_where=sa.text("decides = 0"),
        postgresql_where=sa.text("NOT decides"),
    )
    op.add_column("goal", sa.Column("owner", sa.String(), nullable=True))
