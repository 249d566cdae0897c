"""Lines of light as a frame shows them, beside those that no other exposure shows."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("frame", sa.Column("streaks_seen", sa.JSON(none_as_null=True), nullable=True))
    frame = sa.table("frame", sa.column("streaks_seen", sa.JSON()), sa.column("streaks", sa.JSON()))
    some = sa.cast(frame.c.streaks, sa.String) != "[]"
    op.execute(
        sa.update(frame)
        .where(frame.c.streaks.is_not(None), some)
        .values(streaks_seen=frame.c.streaks)
    )
