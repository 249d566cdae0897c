"""Who may do what with a row, told to the server itself: grants and row-level security.

Everybody who is let in reads everything. What a login may write follows from the tables: each row
that leads to a rig by its keys may be written by those who keep that rig. The owner of the tables,
and who was granted that role, is not bound by this: the keeper. On SQLite there is one person.
SQL is put together of the tables' own names alone (B608): policies take no parameters.
"""

from collections.abc import Iterator, Sequence

from sqlalchemy import Column, Connection, Table, func, select

from runlog.store import models as m

ME = "session_user"  # the login, whatever role it takes on later
NEVER, ALWAYS = "false", "true"
READER, OBSERVER, KEEPER = "reader", "observer", "keeper"
NOTHING = "none"  # what a login may do that was left something, but not the reading of frames
VERSION_TABLE = "alembic_version"

# Appended, never changed; nor is a membership, which an observer makes with a new rig.
APPENDED = frozenset(
    "mark goal correction correction_frame rig_note rig_settings watch_told rig_member".split()
)
# Nothing ever takes these away.
LASTING = frozenset(
    ("rig", "run", "frame", "header", "star_list", "preview", "watch_look", "watch_state")
)
# Names of targets are everybody's, and so is who is a member: the keeper's to change.
KEEPERS = frozenset(("member", "target_change"))
# What a run's own rig need not say to have it settled anew.
ASKING = ("id", "revision", "shown")


def _keeps(rig: str) -> str:
    """Tell, in SQL, whether whoever asks keeps a rig."""
    return f"EXISTS (SELECT FROM rig_member k WHERE k.rig_id = {rig} AND k.login = {ME})"  # nosec B608


def _parents(table: Table) -> Iterator[tuple[Column[object], Table]]:
    """Give the columns that lead to another table, and that table."""
    for column in table.columns:
        for key in column.foreign_keys:
            if key.column.table is not table:
                yield column, key.column.table


def rig_of(table: Table, alias: str | None = None) -> str | None:
    """Give the SQL for the rig that a row belongs to, by its foreign keys; None if to none."""
    row = alias or table.name
    if table is m.rig:
        return f"{row}.id"
    for column, parent in _parents(table):
        if parent is m.rig:
            return f"{row}.{column.name}"
        if beyond := rig_of(parent):
            name = parent.name
            return f"(SELECT {beyond} FROM {name} WHERE {name}.id = {row}.{column.name})"  # nosec B608
    return None


def _of_key(column: str) -> str:
    """Give the SQL for the rig of the frame whose content key a column holds."""
    return f"(SELECT {rig_of(m.frame)} FROM frame WHERE frame.content_key = {column})"  # nosec B608


def _signed(table: str) -> str:
    return f"{table}.who = {ME}"


_CORRECTS = f"EXISTS (SELECT FROM correction c WHERE c.id = {{}} AND c.who = {ME})"  # nosec B608
_ALL_MINE = (
    "NOT EXISTS (SELECT FROM correction_frame n WHERE n.correction_id = correction.undoes "  # nosec B608
    f"AND NOT {_keeps(_of_key('n.content_key'))})"
)
# Rows that lead to a rig in another way, or to none.
_WRITES = {
    # Where folders are is of whoever says so for their machine, not of rigs.
    "root": f"root.login = {ME}",
    "mount": f"mount.login = {ME}",
    "light_tie": _keeps(_of_key("light_tie.base")),
    "correction": (
        f"{_signed('correction')} AND (correction.undoes IS NULL OR "  # nosec B608
        f"{_CORRECTS.format('correction.undoes')} OR (EXISTS (SELECT FROM correction o "
        f"WHERE o.id = correction.undoes AND o.undoes IS NULL) AND {_ALL_MINE}))"
    ),
    "correction_frame": (
        f"{_keeps(_of_key('correction_frame.content_key'))} "
        f"AND {_CORRECTS.format('correction_frame.correction_id')}"
    ),
    "goal": f"{_signed('goal')} AND goal.owner = {ME}",
    "target_change": NEVER,
    "member": NEVER,
}
# Rows that lead to a rig, and more is to be said.
_OWN = {
    "rig_settings": f"starts_with(rig_settings.who || ',', {ME} || ',')",
    "rig_note": (
        f"{_signed('rig_note')} AND (rig_note.undoes IS NULL OR EXISTS "  # nosec B608
        "(SELECT FROM rig_note o WHERE o.id = rig_note.undoes AND o.rig_id = rig_note.rig_id))"
    ),
}


def _may_write(table: Table) -> str:
    """Give the SQL that tells whether a row may be written."""
    if table.name in _WRITES:
        return _WRITES[table.name]
    rig = rig_of(table)
    if rig is None:
        raise LookupError(f"Nothing says who may write into the table {table.name}")
    own = _keeps(rig)
    if table.name in _OWN:
        own = f"{own} AND {_OWN[table.name]}"
    # A file that could not be read belongs to no rig yet; nor does a machine's own trouble.
    loose = {"file": "header_id", "watch_told": "run_id"}.get(table.name)
    return f"({table.name}.{loose} IS NULL OR {own})" if loose else own


def _may_add(table: Table) -> str:
    if table is m.rig:
        return ALWAYS  # a rig nobody has: see `claim` in store/members.py
    if table is m.rig_member:
        return (
            f"rig_member.login = {ME} AND NOT EXISTS (SELECT FROM run WHERE "  # nosec B608
            "run.rig_id = rig_member.rig_id) AND NOT EXISTS (SELECT FROM rig_member o "
            "WHERE o.rig_id = rig_member.rig_id)"
        )
    if table is m.mark:
        return f"{_signed('mark')} AND (NOT mark.decides OR {_may_write(table)})"
    return _may_write(table)


def _may_become(table: Table) -> str:
    """Say what a run may be changed to: its own rig's in all, any rig's so far as it is asked.

    Frames of one rig may put another's night out of date: its run may then be marked so, and
    nothing else. The old row is looked up, as the new one alone does not tell whose it was.
    """
    if table is not m.run:
        return _may_write(table)
    same = " AND ".join(
        f"was.{c.name} IS NOT DISTINCT FROM run.{c.name}"
        for c in table.columns
        if c.name not in ASKING
    )
    asked = (
        "run.revision BETWEEN was.revision AND was.revision + 1 AND run.shown IN (was.shown, '')"
    )
    mine = f"{_keeps('was.rig_id')} AND {_keeps('run.rig_id')}"
    return (
        f"EXISTS (SELECT FROM run was WHERE was.id = run.id AND (({mine}) OR ({same} AND {asked})))"  # nosec B608
    )


def policies(table: Table) -> dict[str, str]:
    """Give the statements that make a table's policies, by name."""
    name, before = table.name, ALWAYS if table is m.run else _may_write(table)
    clauses = {
        "runlog_read": f"SELECT USING ({ALWAYS})",
        "runlog_add": f"INSERT WITH CHECK ({_may_add(table)})",
        "runlog_change": f"UPDATE USING ({before}) WITH CHECK ({_may_become(table)})",
        "runlog_remove": f"DELETE USING ({_may_write(table)})",
    }
    return {p: f'CREATE POLICY {p} ON "{name}" FOR {clause}' for p, clause in clauses.items()}


def rights(role: str, table: Table) -> list[str]:
    """List what a role may do with a table at all, whatever the row."""
    if role != OBSERVER or table.name in KEEPERS:
        return ["SELECT"]
    found = ["SELECT", "INSERT"]
    if table.name not in APPENDED:
        found.append("UPDATE")
        if table.name not in LASTING:
            found.append("DELETE")
    return found


# --- told to the server -----------------------------------------------------------------------


def secure(connection: Connection) -> None:
    """Put the policies of all tables in force anew, and give members their rights again.

    Called whenever tables were changed, so that no new one is left open or shut.
    """
    there = set(_tables_there(connection))
    if m.member.name not in there:
        return  # tables of an earlier version
    for table in metadata_tables():
        if table.name in there:
            for policy, statement in policies(table).items():
                connection.exec_driver_sql(f'DROP POLICY IF EXISTS {policy} ON "{table.name}"')
                connection.exec_driver_sql(statement)
            connection.exec_driver_sql(f'ALTER TABLE "{table.name}" ENABLE ROW LEVEL SECURITY')
    give_all(connection)


def metadata_tables() -> Sequence[Table]:
    """List the tables, those that others refer to first."""
    return m.metadata.sorted_tables


def _tables_there(connection: Connection) -> Sequence[str]:
    query = "SELECT tablename FROM pg_tables WHERE schemaname = current_schema()"
    return connection.exec_driver_sql(query).scalars().all()


def give_all(connection: Connection) -> None:
    """Give the rights of every member whose login this server knows."""
    rows = connection.execute(select(m.member.c.login, m.member.c.role)).all()
    for login, role in rows:
        if is_login(connection, login):
            give(connection, login, role)


def is_role(connection: Connection, name: str) -> bool:
    """Tell whether the server knows a role, which may be a login."""
    query = "SELECT 1 FROM pg_roles WHERE rolname = %s"
    return connection.exec_driver_sql(query, (name,)).scalar() is not None


def is_login(connection: Connection, login: str) -> bool:
    """Tell whether the server knows a login; a role that others have is none."""
    query = "SELECT 1 FROM pg_roles WHERE rolname = %s AND rolcanlogin"
    return connection.exec_driver_sql(query, (login,)).scalar() is not None


def give(connection: Connection, login: str, role: str) -> None:
    """Give a login the rights of a role, and no others; the keeper's come with the tables."""
    take(connection, login)
    if role == KEEPER:
        return
    name = quoted(connection, login)
    alike: dict[tuple[str, ...], list[str]] = {("SELECT",): [VERSION_TABLE]}
    for table in metadata_tables():
        alike.setdefault(tuple(rights(role, table)), []).append(table.name)
    for what, tables in alike.items():
        connection.exec_driver_sql(f"GRANT {', '.join(what)} ON {_listed(tables)} TO {name}")
    connection.exec_driver_sql(f"GRANT USAGE ON SCHEMA {_schema(connection)} TO {name}")
    if role == OBSERVER:
        counters = ", ".join(_counters(connection))
        connection.exec_driver_sql(f"GRANT USAGE ON SEQUENCE {counters} TO {name}")


def take(connection: Connection, login: str) -> None:
    """Take all rights that were given to a login; the owner of the tables keeps what is theirs."""
    if login == owner(connection):
        return
    name, counters = quoted(connection, login), ", ".join(_counters(connection))
    connection.exec_driver_sql(f"REVOKE ALL ON {_listed(_table_names())} FROM {name}")
    connection.exec_driver_sql(f"REVOKE ALL ON SEQUENCE {counters} FROM {name}")
    connection.exec_driver_sql(f"REVOKE ALL ON SCHEMA {_schema(connection)} FROM {name}")


def owner(connection: Connection) -> str:
    """Name the role whose the tables are."""
    query = (
        "SELECT tableowner FROM pg_tables WHERE schemaname = current_schema() "
        f"AND tablename = '{VERSION_TABLE}'"  # nosec B608
    )
    return str(connection.exec_driver_sql(query).scalar_one())


# What the tables, their counters and their schema say was granted, and to whom.
_GRANTED = """
WITH granted AS (
    SELECT a.grantee, c.relname, a.privilege_type FROM pg_class c, aclexplode(c.relacl) a
    WHERE c.oid = ANY(%s::text[]::regclass[]) AND a.grantee <> c.relowner
    UNION ALL
    SELECT a.grantee, NULL, NULL FROM pg_namespace n, aclexplode(n.nspacl) a
    WHERE n.nspname = current_schema() AND a.grantee <> n.nspowner
)
SELECT r.rolname,
    coalesce(bool_or(g.relname = 'run' AND g.privilege_type = 'INSERT'), false),
    coalesce(bool_or(g.relname = 'run' AND g.privilege_type = 'SELECT'), false)
FROM granted g JOIN pg_roles r ON r.oid = g.grantee GROUP BY r.rolname
"""


def granted(connection: Connection) -> dict[str, str]:
    """Tell to whom anything was granted, member or not, and the role that comes to."""
    names = [*(f'"{name}"' for name in _table_names()), *_counters(connection)]
    rows = connection.exec_driver_sql(_GRANTED, (names,))
    return {
        login: OBSERVER if writes else READER if reads else NOTHING for login, writes, reads in rows
    }


def _table_names() -> list[str]:
    return [VERSION_TABLE, *(table.name for table in metadata_tables())]


def _schema(connection: Connection) -> str:
    """Name the schema of the tables, as it stands in statements."""
    schema = connection.exec_driver_sql("SELECT current_schema()").scalar_one()
    return quoted(connection, schema)


def _listed(tables: Sequence[str]) -> str:
    return ", ".join(f'"{name}"' for name in tables)


def _counters(connection: Connection) -> list[str]:
    """Name the counters that number new rows, as they stand in statements."""
    numbered = [t for t in metadata_tables() if t.autoincrement_column is not None]
    found = (
        connection.execute(select(func.pg_get_serial_sequence(t.name, _number(t)))).scalar()
        for t in numbered
    )
    return [name for name in found if name is not None]


def _number(table: Table) -> str:
    column = table.autoincrement_column
    assert column is not None
    return column.name


def quoted(connection: Connection, name: str) -> str:
    """Write a name of a role or schema so that it ends where it ends."""
    return connection.dialect.identifier_preparer.quote_identifier(name).replace("%", "%%")
