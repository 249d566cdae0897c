"""Where files lie on each machine: roots made by a scan, known again, mapped, kept in order."""

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection, Engine

from runlog.actions.known_roots import holds
from runlog.actions.names import meant
from runlog.actions.root_order import put_in_order
from runlog.config import Settings
from runlog.core.columns import plural
from runlog.errors import UsageError
from runlog.ingest.paths import stored_path
from runlog.store import roots as store
from runlog.store import roots_files
from runlog.store.engine import reading, write
from runlog.store.mine import is_keeper, is_shared, login, require_keeper
from runlog.store.roots import MountedRoot, Root, Roots

NO_FOLDER_CURE = "Check how it is written; if it is on a disk or share, connect that first"

# --- for a scan ---------------------------------------------------------------------------------


def folders_to_scan(engine: Engine, settings: Settings, named: Sequence[bytes]) -> list[bytes]:
    """Give the folders and files that a scan looks at, each in a root from now on.

    Without any named, those that were scanned before, as far as this machine has them.
    """
    paths = [stored_path(folder) for folder in named]
    for path in paths:
        _refuse_absent(path)
    if paths:
        write(engine, lambda connection: _take_in(connection, settings, paths))
        return paths
    with reading(engine) as connection:
        roots = Roots.load(connection)
    before = sorted(root.folder for root in roots.here if root.scanned_at_utc is not None)
    if not before:
        raise UsageError(_nothing_scanned(roots), cure=_name_one(roots))
    return before


def _refuse_absent(path: bytes) -> None:
    try:
        os.stat(path)
    except (FileNotFoundError, NotADirectoryError, ValueError):
        raise UsageError(
            "There is no such folder or file", os.fsdecode(path), cure=NO_FOLDER_CURE
        ) from None
    except OSError as error:
        why = error.strerror or str(error)
        raise UsageError(f"This cannot be looked at ({why})", os.fsdecode(path)) from error


def _nothing_scanned(roots: Roots) -> str:
    return f"No folder was scanned before{' on this machine' if roots.all else ''}"


def _name_one(roots: Roots) -> str:
    elsewhere = " (what other machines scanned: runlog roots)" if roots.all else ""
    return f"Name one: runlog scan /path/to/your/nights{elsewhere}"


def _take_in(connection: Connection, settings: Settings, paths: Iterable[bytes]) -> None:
    """Make roots of folders that lie in none; the outer ones first, so that they take the inner."""
    now = datetime.now(UTC)
    whole = []
    for path in sorted(paths):
        folder = path if os.path.isdir(path) else os.path.dirname(path)
        root = Roots.load(connection).over(folder)
        named_whole = folder == path
        is_root = root is not None and root.folder == folder
        if root is None or (named_whole and not is_root and root.scanned_at_utc is None):
            root_id, is_root = _root_of(connection, folder), True
        else:
            root_id = root.id
        if named_whole and is_root:
            whole.append(root_id)
    store.set_scanned(connection, whole, now)
    put_in_order(connection, settings)


def _root_of(connection: Connection, folder: bytes) -> int:
    """Give a folder's root: one that only other machines have so far, else a new one."""
    roots = Roots.load(connection)
    for root in roots.all:
        if not _is_here(root) and holds(connection, root.id, folder):
            store.put_mount(connection, root.id, folder)
            return root.id
    return store.make_root(connection, folder, roots)


def _is_here(root: Root) -> bool:
    """Tell whether a root has its place here.

    What another login says may be of another machine that has the same name.
    """
    return isinstance(root, MountedRoot) and (root.own or os.path.isdir(root.folder))


# --- for a person -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RootLine:
    """A root as it is listed."""

    name: str
    path: str | None  # on this machine
    missing: bool  # whether its folder is not there now
    files: int
    scanned_at_utc: datetime | None
    machines: dict[str, str]  # machine -> folder


def list_roots(engine: Engine) -> list[RootLine]:
    """List the roots with where they are, by name."""
    with reading(engine) as connection:
        roots = Roots.load(connection)
        files, everywhere = roots_files.counts(connection), roots_files.mounts(connection)
    return [
        RootLine(
            root.name,
            os.fsdecode(root.folder) if isinstance(root, MountedRoot) else None,
            not (isinstance(root, MountedRoot) and os.path.isdir(root.folder)),
            files[root.id],
            root.scanned_at_utc,
            _machines(everywhere.get(root.id, [])),
        )
        for root in roots.all
    ]


def _machines(mounts: Iterable[roots_files.Mount]) -> dict[str, str]:
    """Give the folder on each machine; where its logins differ, that of each."""
    folders: dict[str, dict[str, str]] = {}
    for at in mounts:
        folders.setdefault(at.machine, {})[at.login] = os.fsdecode(at.folder)
    return {
        f"{machine} ({login})" if login and len(set(of.values())) > 1 else machine: folder
        for machine, of in folders.items()
        for login, folder in of.items()
    }


def rename_root(engine: Engine, old: str, new: str) -> str:
    """Give a root another name; returns the name it had."""
    name = new.strip()
    if not name or not name.isprintable() or name.startswith("-") or set(name) & set(":/\\"):
        words = "A name has no :, / or \\, nothing that cannot be printed, and begins with no -"
        raise UsageError("This cannot be the name of a root", new, words)

    def work(connection: Connection) -> str:
        roots = Roots.load(connection)
        root = _named(roots, old)
        if roots.named(name) not in (None, root):
            raise UsageError("Another root has this name", name, "See: runlog roots")
        _refuse_anothers(connection, root)
        store.rename_root(connection, root.id, name)
        return root.name

    return write(engine, work)


def forget_root(engine: Engine, name: str) -> str:
    """Forget a root below which no file is known; returns its name."""

    def work(connection: Connection) -> str:
        root = _named(Roots.load(connection), name)
        _refuse_anothers(connection, root)
        if files := roots_files.counts(connection)[root.id]:
            raise UsageError(
                f"{plural(files, 'file')} of {root.name} {'is' if files == 1 else 'are'} known",
                cure="Only a root without files is forgotten: what was scanned counts on",
            )
        others = {at.login for at in roots_files.mounts(connection)[root.id]} - {login(connection)}
        if others and not is_keeper(connection):
            named = ", ".join(sorted(others - {""})) or "others"
            raise UsageError(f"{root.name} is known to {named} too", cure="Ask the keeper")
        roots_files.forget_root(connection, root.id)
        return root.name

    return write(engine, work)


def _refuse_anothers(connection: Connection, root: Root) -> None:
    """Refuse to change what another login, or the keeper, named."""
    by = store.maker(connection, root.id)
    if is_shared(connection) and by != login(connection):
        whose = f"{root.name} was named by {by}" if by else f"{root.name} is the keeper's to name"
        require_keeper(connection, whose, f"Ask {f'{by} or ' if by else ''}the keeper: runlog club")


def _named(roots: Roots, name: str) -> Root:
    root = meant(name, roots.named)
    if root is None:
        known = ", ".join(r.name for r in roots.all) or "none yet: runlog scan FOLDER"
        raise UsageError("No root has this name", name, f"There are: {known}")
    return root


@dataclass(frozen=True, slots=True)
class Mapped:
    """What became of mapping a root."""

    name: str
    folder: bytes
    files: int
    along: tuple[tuple[str, bytes], ...]  # other roots that moved with it
    now_part_of: tuple[tuple[str, str], ...]  # roots that became part of others


def map_root(engine: Engine, settings: Settings, name: str, folder: bytes) -> Mapped:
    """Say where a root is on this machine; what moved with it is found there too.

    Raises
    ------
    UsageError
        When there is no such root or folder, or the folder has none of the root's files.
    """
    new = stored_path(folder)
    if not os.path.isdir(new):
        raise UsageError("There is no such folder", os.fsdecode(new), cure=NO_FOLDER_CURE)

    def work(connection: Connection) -> Mapped:
        root = _named(Roots.load(connection), name)
        _refuse_strange(connection, root, new)
        along = _moved_along(connection, root, new)
        for root_id, at in {root.id: new, **along}.items():
            store.put_mount(connection, root_id, at)
        names = {r.id: r.name for r in Roots.load(connection).all}
        parts = put_in_order(connection, settings, root.id)
        _refuse_two(Roots.load(connection), new)
        return Mapped(
            root.name,
            new,
            roots_files.counts(connection)[parts.get(root.id, root.id)],
            tuple((names[root_id], at) for root_id, at in along.items()),
            tuple((names[inner], names[outer]) for inner, outer in parts.items()),
        )

    return write(engine, work)


def _refuse_strange(connection: Connection, root: Root, folder: bytes) -> None:
    """Refuse a folder in which nothing that is known of a root lies."""
    known = roots_files.sample(connection, root.id)
    if known and not any(os.path.lexists(store.below(folder, file.path)) for file in known):
        raise UsageError(
            f"Nothing of {root.name} lies in this folder",
            os.fsdecode(folder),
            f"Name the folder that holds {os.fsdecode(known[0].path)}",
        )


def _refuse_two(roots: Roots, folder: bytes) -> None:
    """Refuse to call one folder by the names of two roots that other machines tell apart."""
    names = [root.name for root in roots.all if isinstance(root, MountedRoot)
             and root.folder == folder]  # fmt: skip
    if len(names) > 1:
        raise UsageError(
            f"This folder is {names[0]} already, which other machines have beside {names[1]}",
            os.fsdecode(folder),
            "See: runlog roots",
        )


def _moved_along(connection: Connection, root: Root, new: bytes) -> dict[int, bytes]:
    """Find other roots that lay on the same disk and are found in its new place."""
    if not isinstance(root, MountedRoot):
        return {}
    before, after = _what_changed(root.folder, new)
    found = {}
    for other in Roots.load(connection).here:
        if other.id == root.id or not store.is_below(other.folder, before):
            continue
        place = store.below(after, store.rest_below(other.folder, before))
        may_move = store.is_below(other.folder, root.folder) or not os.path.isdir(other.folder)
        if may_move and holds(connection, other.id, place):
            found[other.id] = place
    return found


def _what_changed(old: bytes, new: bytes) -> tuple[bytes, bytes]:
    """Take the folders at the end away that two paths have in common: /a/x/n, /b/n -> /a/x, /b."""
    before, after = old.rstrip(b"/").split(b"/"), new.rstrip(b"/").split(b"/")
    while len(before) > 1 and len(after) > 1 and before[-1] == after[-1]:
        before.pop()
        after.pop()
    return b"/".join(before) or b"/", b"/".join(after) or b"/"
