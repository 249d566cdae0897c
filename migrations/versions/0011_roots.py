"""A file lies below a named root; each machine says where it has the root."""

import os
import platform
from collections.abc import Iterable, Iterator, Mapping

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

ROOT = sa.table("root", *map(sa.column, ("id", "name", "origin", "scanned_at_utc")))
MOUNT = sa.table("mount", *map(sa.column, ("root_id", "machine", "path", "missing")))


def upgrade() -> None:
    connection = op.get_bind()
    scanned = {
        bytes(path): at
        for path, at in connection.execute(sa.text("SELECT path, scanned_at_utc FROM root"))
    }
    paths = {i: bytes(p) for i, p in connection.execute(sa.text("SELECT id, path FROM file"))}
    _new_tables()
    folders = {bare(f): f for f in (*scanned, *loose_folders(paths.values(), scanned))}
    ids = _put_roots(connection, folders, scanned)
    rows = [
        {"this": i, "root": ids[key], "at": path[len(key) + 1 :]}
        for i, path in paths.items()
        for key in [root_over(path, ids)]
    ]
    if rows:
        moved = "UPDATE file SET root_id = :root, path = :at WHERE id = :this"
        connection.execute(sa.text(moved), rows)
    _close_tables()


def _new_tables() -> None:
    op.drop_table("root")
    op.create_table(
        "root",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("origin", sa.LargeBinary(), nullable=False),
        sa.Column("scanned_at_utc", sa.DateTime(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_root")),
        sa.UniqueConstraint("name", name=op.f("uq_root_name")),
    )
    op.create_table(
        "mount",
        sa.Column("root_id", sa.Integer(), nullable=False),
        sa.Column("machine", sa.String(), nullable=False),
        sa.Column("path", sa.LargeBinary(), nullable=False),
        sa.Column("missing", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["root_id"], ["root.id"], name=op.f("fk_mount_root_id_root")),
        sa.PrimaryKeyConstraint("root_id", "machine", name=op.f("pk_mount")),
    )
    with op.batch_alter_table("file") as batch:
        batch.drop_constraint("uq_file_path", type_="unique")
        batch.add_column(sa.Column("root_id", sa.Integer(), nullable=True))


def _close_tables() -> None:
    with op.batch_alter_table("file") as batch:
        batch.alter_column("root_id", existing_type=sa.Integer(), nullable=False)
        batch.create_unique_constraint(op.f("uq_file_root_id_path"), ["root_id", "path"])
        batch.create_foreign_key(op.f("fk_file_root_id_root"), "root", ["root_id"], ["id"])


def _put_roots(
    connection: sa.Connection, folders: Mapping[bytes, bytes], scanned: Mapping[bytes, object]
) -> dict[bytes, int]:
    """Name roots after their folders; all are where they were on the machine that migrates."""
    machine = os.environ.get("RUNLOG_MACHINE") or platform.node() or "this machine"
    taken: set[str] = set()
    ids: dict[bytes, int] = {}
    for key, folder in sorted(folders.items()):
        name = free_name(folder, taken)
        taken.add(name.casefold())
        row = {"name": name, "origin": folder, "scanned_at_utc": scanned.get(folder)}
        connection.execute(sa.insert(ROOT).values(row))
        ids[key] = connection.execute(sa.select(ROOT.c.id).where(ROOT.c.name == name)).scalar_one()
        at = {"root_id": ids[key], "machine": machine, "path": folder, "missing": False}
        connection.execute(sa.insert(MOUNT).values(at))
    return ids


def bare(folder: bytes) -> bytes:
    return folder.rstrip(b"/")


def root_over(path: bytes, roots: Mapping[bytes, int]) -> bytes:
    """Give the longest of the roots that a file lies in."""
    folder = path.rpartition(b"/")[0]
    while folder not in roots:
        folder = folder.rpartition(b"/")[0]
    return folder


def loose_folders(paths: Iterable[bytes], scanned: Iterable[bytes]) -> Iterator[bytes]:
    """Give folders for files that lie in none that was scanned: the outermost of their own."""
    known = {bare(folder) for folder in scanned}
    own = {path.rpartition(b"/")[0] for path in paths}
    loose = sorted(folder for folder in own if not _lies_in(folder, known))
    outermost: set[bytes] = set()
    for folder in loose:  # an outer one sorts before what lies in it
        if not _lies_in(folder, outermost):
            outermost.add(folder)
            yield folder or b"/"


def _lies_in(folder: bytes, others: set[bytes]) -> bool:
    while folder not in others:
        if b"/" not in folder:
            return False
        folder = folder.rpartition(b"/")[0]
    return True


def free_name(folder: bytes, taken: set[str]) -> str:
    last = bare(folder).rpartition(b"/")[2].decode("utf-8", "replace").replace("\ufffd", "_")
    name = "".join(c if c.isprintable() else "_" for c in last).replace(":", "-").strip()
    wanted = name = name.lstrip("-") or "disk"
    number = 1
    while name.casefold() in taken:
        number += 1
        name = f"{wanted} {number}"
    return name
