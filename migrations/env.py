"""Alembic's way in: on the connection runlog hands over, else on the one RUNLOG_DB names."""

import os
from typing import Literal

from alembic import context
from sqlalchemy import Connection

from runlog.store.engine import open_engine, writing
from runlog.store.mapping import Utc
from runlog.store.models import metadata
from runlog.store.permits import secure


def _plain_types(kind: str, item: object, _context: object) -> str | Literal[False]:
    """Write our own column types as the plain ones below them: migrations outlive code."""
    return "sa.DateTime()" if kind == "type" and isinstance(item, Utc) else False


def migrate(connection: Connection) -> None:
    """Run inside one transaction, so that a kill half way leaves the old tables."""
    context.configure(
        connection=connection,
        target_metadata=metadata,
        transactional_ddl=True,
        render_as_batch=connection.dialect.name == "sqlite",
        compare_type=True,
        render_item=_plain_types,
    )
    with context.begin_transaction():
        context.run_migrations()
    if connection.dialect.name == "postgresql":
        _sort_by_code(connection)
        secure(connection)


OTHERWISE_SORTED = """
SELECT table_name, column_name, character_maximum_length FROM information_schema.columns
WHERE table_schema = current_schema() AND data_type = 'character varying'
AND collation_name IS DISTINCT FROM 'C'
"""


def _sort_by_code(connection: Connection) -> None:
    """Have texts compared byte by byte, as SQLite does, whatever the server's language is."""
    columns = connection.exec_driver_sql(OTHERWISE_SORTED).all()
    for table, column, length in columns:
        if table in metadata.tables:
            kind = "VARCHAR" if length is None else f"VARCHAR({length})"
            connection.exec_driver_sql(
                f'ALTER TABLE "{table}" ALTER COLUMN "{column}" TYPE {kind} COLLATE "C"'
            )


handed_over = context.config.attributes.get("connection")
if handed_over is not None:
    migrate(handed_over)
else:
    with writing(open_engine(os.environ.get("RUNLOG_DB", "runlog-dev.sqlite"))) as opened:
        migrate(opened)
