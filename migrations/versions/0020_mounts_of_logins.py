"""Each login says where a root is on its machine, and names the roots that it made."""

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None

SCANNED = "UPDATE mount SET scanned_at_utc = (SELECT scanned_at_utc FROM root WHERE id = root_id)"


def upgrade() -> None:
    # What there is is nobody's by name: everybody goes by it, and the keeper may change it.
    for table in ("root", "mount"):
        op.add_column(table, sa.Column("login", sa.String(), nullable=False, server_default=""))
    op.add_column("mount", sa.Column("scanned_at_utc", sa.DateTime(), nullable=True))
    op.execute(SCANNED)
    op.drop_column("root", "scanned_at_utc")
    with op.batch_alter_table("mount") as batch:
        batch.drop_constraint("pk_mount", type_="primary")
        batch.create_primary_key("pk_mount", ["root_id", "machine", "login"])
