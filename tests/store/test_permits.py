"""What the server lets a login do, tried as SQL past the program, on every table there is."""

import json
from datetime import UTC, datetime
from itertools import count

import pytest
from psycopg import sql
from psycopg.errors import InsufficientPrivilege
from sqlalchemy import JSON, Boolean, Column, Float, Integer, LargeBinary, MetaData, Table
from sqlalchemy.dialects import postgresql

from runlog.store import models as m
from runlog.store.mapping import Utc
from runlog.store.permits import (
    ASKING,
    KEEPERS,
    OBSERVER,
    policies,
    rig_of,
    rights,
)
from tests.clubs import club
from tests.tools import write_run

TABLES = m.metadata.sorted_tables
OF_RIGS = [t for t in TABLES if rig_of(t) is not None]
NOW = datetime(2026, 10, 10, tzinfo=UTC).replace(tzinfo=None)
numbers = count(1_000_000)


@pytest.fixture(scope="module")
def shared(server, tmp_path_factory):
    """Ann and Ben have scanned a rig each, the keeper one that is nobody's; Rea may look."""
    home = tmp_path_factory.mktemp("club")
    with club(server, ["ann", "ben", "rea", "eve"]) as made:
        write_run(home / "keeper", 1, first=20, TELESCOP="Shed 200/1000")
        made.does(home, "keeper", "scan", home / "keeper")
        for who, role in (("ann", "observer"), ("ben", "observer"), ("rea", "reader")):
            made.does(home, "keeper", "club", "add", made.login(who), "--role", role)
        for first, who in enumerate(("ann", "ben")):
            write_run(home / who, 2, first=3 * first, TELESCOP=f"{who}'s 90/540")
            made.does(home, who, "scan", home / who)
        with made.sql("keeper") as keeper:
            for who in ("ann", "ben"):
                for table in TABLES:
                    add(keeper, table, row_of(made, table, who), "ON CONFLICT DO NOTHING")
        yield made


# --- rows and statements from the tables' own description -------------------------------------


def ids_of(made, who):
    """Give the numbers of the rig somebody brought, and of rows that lead to it."""
    query = (
        "SELECT g.id, r.id, f.id, h.id, f.content_key FROM rig g JOIN run r ON r.rig_id = g.id "
        "JOIN frame f ON f.run_id = r.id JOIN header h ON h.frame_id = f.id "
        "WHERE g.telescope LIKE %s ORDER BY f.id LIMIT 1"
    )
    with made.sql("keeper") as keeper:
        row = keeper.execute(query, [f"{who}'s%"]).fetchone()
        said = keeper.execute("SELECT max(id) FROM correction").fetchone()
        root = keeper.execute("SELECT min(id) FROM root").fetchone()
    named = dict(zip(("rig", "run", "frame", "header"), row[:4], strict=True))
    return named | {"key": row[4], "correction": said[0], "root": root[0]}


def value_of(column, ids, login):
    """Make up a value of a column, or take that which leads to somebody's rig."""
    parent = next((k.column.table.name for k in column.foreign_keys), None)
    if parent is not None:
        return None if column.name == "undoes" else ids[parent]
    if column.name in ("content_key", "base") and column.table.name != "frame":
        return ids["key"]
    if column.name in ("who", "owner", "login"):
        return login
    number = next(numbers)
    made_up = {Integer: number, Boolean: True, Float: 1.5, LargeBinary: b"%d" % number}
    if isinstance(column.type, JSON):
        return json.dumps([])
    if isinstance(column.type, Utc):
        return NOW
    found = next((v for kind, v in made_up.items() if isinstance(column.type, kind)), None)
    return f"x{number}" if found is None else found


def row_of(made, table, who, signed=None):
    """Make up a row of a table that leads to somebody's rig, signed by them or another."""
    ids, login = ids_of(made, who), made.login(signed or who)
    needed = [c for c in table.columns if not c.nullable or c.foreign_keys or c.name == "owner"]
    return {c.name: value_of(c, ids, login) for c in needed}


def add(connection, table, row, else_=""):
    """Insert a row."""
    names = [sql.Identifier(name) for name in row]
    statement = sql.SQL("INSERT INTO {} ({}) VALUES ({}) {}").format(
        sql.Identifier(table.name),
        sql.SQL(", ").join(names),
        sql.SQL(", ").join(sql.Placeholder() * len(names)),
        sql.SQL(else_),
    )
    return connection.execute(statement, list(row.values())).rowcount


def of_rig(table):
    """Give the words that choose the rows of one rig."""
    return f'"{table.name}" WHERE {rig_of(table)} = %s'


def change(table, column):
    """Give the statement that writes a column of all rows of a rig, and leaves them as they are."""
    head, where = of_rig(table).split(" WHERE ", 1)
    return f'UPDATE {head} SET "{column}" = "{column}" WHERE {where}'


def refused(connection, statement, values=()):
    """Tell whether a statement is refused, or finds nothing that it may touch."""
    try:
        return connection.execute(statement, values).rowcount == 0
    except InsufficientPrivilege:
        return True


def everything(made):
    """Read every row of every table, as the keeper sees it."""
    with made.sql("keeper") as keeper:
        return {
            t.name: sorted(map(repr, keeper.execute(f'SELECT * FROM "{t.name}"').fetchall()))
            for t in TABLES
        }


# --- tests ------------------------------------------------------------------------------------


def test_every_table_says_who_may_write_it(shared):
    """A table without policies is shut to members or open to all: the server is asked for each."""
    with shared.sql("keeper") as keeper:
        on = keeper.execute("SELECT relname FROM pg_class WHERE relrowsecurity").fetchall()
        told = keeper.execute("SELECT tablename, policyname FROM pg_policies").fetchall()
    assert {name for (name,) in on} == {table.name for table in TABLES}
    assert set(told) == {(t.name, policy) for t in TABLES for policy in policies(t)}


def test_a_new_table_must_say_whose_its_rows_are():
    """One that leads to a rig by its keys is covered; of one that does not somebody must think."""
    new = Table("new", MetaData(), Column("id", Integer, primary_key=True))
    with pytest.raises(LookupError, match="new"):
        policies(new)


@pytest.mark.parametrize("table", TABLES, ids=str)
def test_a_reader_reads_all_and_writes_nothing(shared, table):
    """INSERT, UPDATE of each column, DELETE and TRUNCATE are refused for want of the right."""
    with shared.sql("rea") as rea:
        assert rea.execute(f'SELECT count(*) FROM "{table.name}"').fetchone()[0] > 0
        with pytest.raises(InsufficientPrivilege):
            add(rea, table, row_of(shared, table, "ann", "rea"))
        for column in table.columns:
            with pytest.raises(InsufficientPrivilege):
                rea.execute(f'UPDATE "{table.name}" SET "{column.name}" = "{column.name}"')
        for what in ("DELETE FROM", "TRUNCATE"):
            with pytest.raises(InsufficientPrivilege):
                rea.execute(f'{what} "{table.name}"')


@pytest.mark.parametrize("who", ["eve"])
def test_who_is_no_member_sees_nothing(shared, who):
    """A login of the server that nobody let in reads no table."""
    with shared.sql(who) as stranger:
        for table in (*(t.name for t in TABLES), "alembic_version"):
            with pytest.raises(InsufficientPrivilege):
                stranger.execute(f'SELECT * FROM "{table}"')


@pytest.mark.parametrize("table", OF_RIGS, ids=str)
def test_an_observer_leaves_others_rigs_alone(shared, table):
    """Ann writes no row of Ben's rig, in no column; the keeper finds all as it was."""
    before = everything(shared)
    bens = ids_of(shared, "ben")["rig"]
    row = row_of(shared, table, "ben", "ann")
    with shared.sql("ann") as ann:
        if table is not m.rig:  # a new one is nobody's
            with pytest.raises(InsufficientPrivilege):
                add(ann, table, row)
        for column in table.columns:
            if table is m.run and column.name in ASKING[1:]:
                continue  # see below
            if table is m.run:  # of which some columns may be written: as what it is, any may
                new = value_of(column, ids_of(shared, "ann"), shared.login("ann"))
                with pytest.raises(InsufficientPrivilege):
                    ann.execute(f"UPDATE run SET {column.name} = %s WHERE rig_id = %s", [new, bens])
                continue
            assert refused(ann, change(table, column.name), [bens]), column
        assert refused(ann, f"DELETE FROM {of_rig(table)}", [bens])
        assert refused(ann, f'TRUNCATE "{table.name}" CASCADE')
    assert everything(shared) == before


@pytest.mark.parametrize("table", OF_RIGS, ids=str)
def test_an_observer_writes_what_is_theirs(shared, table):
    """Ann adds, changes and removes rows of her own rig, as far as any of it ever happens."""
    if table.name in KEEPERS or table is m.rig_member:
        pytest.skip("the keeper's")
    may = rights(OBSERVER, table)
    mine = ids_of(shared, "ann")["rig"]
    keys = [c.name for c in table.primary_key.columns]
    with shared.sql("ann") as ann, ann.transaction(force_rollback=True):
        row = row_of(shared, table, "ann")
        if table is m.star_list or not set(keys) - {"frame_id", "run_id"}:
            with shared.sql("keeper") as keeper:  # one a frame or run, and there is one
                keeper.execute(f"DELETE FROM {of_rig(table)}", [mine])
        assert add(ann, table, row) == 1
        if "UPDATE" in may:
            assert ann.execute(change(table, table.columns.keys()[-1]), [mine]).rowcount > 0
        if "DELETE" in may:
            assert ann.execute(f"DELETE FROM {of_rig(table)}", [mine]).rowcount > 0


def test_a_run_of_others_can_be_asked_for_and_no_more(shared):
    """Frames of one rig may put another's night out of date: marked so, it waits for its people."""
    ben = ids_of(shared, "ben")
    with shared.sql("ann") as ann:
        dirty = "UPDATE run SET revision = revision + 1, shown = '' WHERE rig_id = %s"
        assert ann.execute(dirty, [ben["rig"]]).rowcount > 0
        for what in (
            "revision = revision - 1", "revision = revision + 2", "shown = 'x'",
            "settled_revision = revision", "night = '2020-01-01'", "policy = 'mine'",
        ):  # fmt: skip
            with pytest.raises(InsufficientPrivilege):
                ann.execute(f"UPDATE run SET {what} WHERE rig_id = %s", [ben["rig"]])


def test_nothing_changes_hands(shared):
    """A frame, run or rig is not taken over by writing one's own number into it, nor given away."""
    ann_, ben = ids_of(shared, "ann"), ids_of(shared, "ben")
    before = everything(shared)
    with shared.sql("ann") as ann:
        given = "UPDATE frame SET run_id = %s WHERE id = %s"
        assert refused(ann, given, [ann_["run"], ben["frame"]])
        assert refused(ann, given, [ben["run"], ann_["frame"]])
        assert refused(ann, "UPDATE run SET rig_id = %s WHERE id = %s", [ann_["rig"], ben["run"]])
        assert refused(ann, "UPDATE run SET rig_id = %s WHERE id = %s", [ben["rig"], ann_["run"]])
        assert refused(ann, "UPDATE header SET frame_id = %s WHERE id = %s",
                       [ann_["frame"], ben["header"]])  # fmt: skip
        upsert = ("INSERT INTO star_list VALUES (%s, '') "
                  "ON CONFLICT (frame_id) DO UPDATE SET stars = ''")  # fmt: skip
        assert refused(ann, upsert, [ben["frame"]])
    assert everything(shared) == before


FORGED = {
    "another's mark": "INSERT INTO mark (frame_id, grade, who, at_utc, decides) "
    "SELECT id, 'keep', '{ben}', now(), true FROM frame WHERE id = {ann_frame}",
    "a mark that decides on Ben's frame": "INSERT INTO mark (frame_id, grade, who, at_utc, decides)"
    " VALUES ({ben_frame}, 'keep', session_user, now(), true)",
    "a goal of Ben's": "INSERT INTO goal (target, filter, form, value, priority, who, at_utc, "
    "owner) VALUES ('M33', 'L', 'hours', 1, 5, session_user, now(), '{ben}')",
    "a goal of all": "INSERT INTO goal (target, filter, form, value, priority, who, at_utc) "
    "VALUES ('M33', 'L', 'hours', 1, 5, session_user, now())",
    "a change of names": "INSERT INTO target_change (action, subject, object, who, at_utc) "
    "VALUES ('merge', 'a', 'b', session_user, now())",
    "a correction signed by Ben": "INSERT INTO correction (field, value, selection, frames, who, "
    "at_utc) VALUES ('filter', 'Ha', '', 0, '{ben}', now())",
    "settings signed by Ben": "INSERT INTO rig_settings (rig_id, says, who, at_utc) "
    "SELECT id, '{{}}', '{ben}', now() FROM rig WHERE telescope LIKE 'ann%'",
    "an undoing of Ben's note": "INSERT INTO rig_note (rig_id, night, text, changed, who, at_utc, "
    "undoes) SELECT {ann_rig}, '', '', false, session_user, now(), min(id) FROM rig_note "
    "WHERE rig_id = {ben_rig}",
    "an undoing of Ben's correction": "INSERT INTO correction (field, value, selection, frames, "
    "who, at_utc, undoes) SELECT 'undo', '', '', 0, session_user, now(), max(id) FROM correction "
    "WHERE who = '{ben}'",
    "a share in Ben's rig": "INSERT INTO rig_member VALUES ({ben_rig}, session_user)",
    "a rig of nobody's that has nights": "INSERT INTO rig_member SELECT id, session_user FROM rig "
    "WHERE telescope LIKE 'Shed%'",
    "another's membership": "INSERT INTO member VALUES ('x', 'keeper', session_user, now())",
    "the keeper's role": "SET ROLE {keeper}",
    "no row security": "SET row_security = off; UPDATE frame SET grade = 'keep' "
    "WHERE id = {ben_frame}",
    "a policy": "CREATE POLICY mine ON frame USING (true)",
    "security off": "ALTER TABLE frame DISABLE ROW LEVEL SECURITY",
    "a table of tables": "CREATE TABLE rig_member_of_mine (id int)",
    "the version": "UPDATE alembic_version SET version_num = '9999'",
}


@pytest.mark.parametrize("what", FORGED)
def test_nothing_is_forged(shared, what):
    """Another's name, a right one does not have, the way round: each is refused, all stays."""
    before = everything(shared)
    ann_, ben = ids_of(shared, "ann"), ids_of(shared, "ben")
    statement = FORGED[what].format(
        ben=shared.login("ben"), keeper=shared.login("keeper"), ann_frame=ann_["frame"],
        ben_frame=ben["frame"], ann_rig=ann_["rig"], ben_rig=ben["rig"],
    )  # fmt: skip
    with shared.sql("ann") as ann, pytest.raises(InsufficientPrivilege):
        ann.execute(statement)
    assert everything(shared) == before


def test_a_table_of_the_same_name_fools_nobody(shared):
    """A temporary rig_member is found before the real one, but not by the policies."""
    ben = ids_of(shared, "ben")
    with shared.sql("ann") as ann:
        ann.execute("CREATE TEMP TABLE rig_member (rig_id int, login text)")
        ann.execute("INSERT INTO rig_member VALUES (%s, session_user)", [ben["rig"]])
        assert refused(ann, "UPDATE frame SET grade = 'keep' WHERE id = %s", [ben["frame"]])


def test_reading_all_frames_asks_nothing_of_each(shared):
    """What everybody may read is not looked at row by row: no filter stands in the plan."""
    for query in ("SELECT count(*) FROM frame", "SELECT grade FROM frame WHERE run_id = 1"):
        plans = []
        for who in ("rea", "ann", "keeper"):
            with shared.sql(who) as connection:
                plans.append(connection.execute(f"EXPLAIN (COSTS OFF) {query}").fetchall())
        assert plans[0] == plans[1] == plans[2]
        assert "rig_member" not in str(plans)


def test_a_policy_finds_its_rig_by_keys(shared):
    """One frame's row is changed by looking up its run and rig, not by reading those tables."""
    ann_ = ids_of(shared, "ann")
    with shared.sql("ann") as ann:
        ann.execute("SET enable_seqscan = off")
        query = f"EXPLAIN (COSTS OFF) UPDATE frame SET grade = 'keep' WHERE id = {ann_['frame']}"
        plan = "\n".join(line for (line,) in ann.execute(query).fetchall())
    assert "Seq Scan" not in plan
    assert "pk_frame" in plan and "pk_run" in plan and "pk_rig_member" in plan


def test_the_dialect_is_the_tables_own():
    """Guards names that PostgreSQL keeps for itself: none of our tables needs other quoting."""
    preparer = postgresql.dialect().identifier_preparer
    assert {t.name for t in TABLES if preparer.quote(t.name) != t.name} == set()
