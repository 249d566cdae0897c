"""Keep one root to a file: what lies in the folders of two roots belongs to one by rule.

On one machine a root takes in the roots that lie in it, so that the order of scanning leaves no
trace. An inner root stays where another machine, or another login of a server, has it too, or
where the outer one only stands for single files that were named; then what lies in its folder is
the inner's. Files of another's rig stay where they are.
"""

from collections.abc import Iterable, Mapping, Sequence

from sqlalchemy import Connection

from runlog.config import Settings
from runlog.store import roots_files
from runlog.store.roots import FilePlace, MountedRoot, Roots, is_below, rest_below, set_scanned
from runlog.store.roots_files import LyingFile

Pair = tuple[MountedRoot, MountedRoot]  # inner, outer


def put_in_order(
    connection: Connection, settings: Settings, first: int | None = None
) -> dict[int, int]:
    """Move files to the root that is theirs; gives the roots that became part of others.

    Of two roots of one folder `first` takes in the other, if it may. No file is read for it.
    """
    became: dict[int, int] = {}
    while pair := _to_take_in(connection, first):
        inner, outer = pair
        _take_in(connection, settings, inner, outer)
        became[inner.id] = outer.id
    for inner, outer in _nested(Roots.load(connection).here, first):
        _give(connection, settings, inner, outer)
    return became


def _nested(here: Sequence[MountedRoot], first: int | None) -> list[Pair]:
    """List the roots that lie in others of this machine, each with the closest, innermost first."""
    rank = {root.id: (len(root.folder), root.id != first, root.id) for root in here}
    by_depth = sorted(here, key=lambda root: rank[root.id], reverse=True)
    pairs = []
    for n, inner in enumerate(by_depth):
        outer = next((r for r in by_depth[n + 1 :] if is_below(inner.folder, r.folder)), None)
        if outer is not None:
            pairs.append((inner, outer))
    return pairs


def _to_take_in(connection: Connection, first: int | None) -> Pair | None:
    """Find a root that is to become part of another."""
    pairs = _nested(Roots.load(connection).here, first)
    alone = roots_files.mine_alone(connection) if pairs else set()
    for inner, outer in pairs:
        same = is_below(outer.folder, inner.folder)
        stands = inner.scanned_at_utc is not None and outer.scanned_at_utc is None
        if inner.id in alone and (same or not stands):
            return inner, outer
        if same and outer.id in alone:
            return outer, inner
    return None


def _take_in(
    connection: Connection, settings: Settings, inner: MountedRoot, outer: MountedRoot
) -> None:
    """Make a root part of another: it is named no more."""
    start = _start(inner, outer)
    places = {
        file: FilePlace(outer.id, start + file.place.path)
        for file in roots_files.files_of(connection, inner.id)
    }
    there = roots_files.files_of(connection, outer.id, start)
    _relocate(connection, settings, places, there)
    if outer.scanned_at_utc is None and inner.scanned_at_utc is not None:
        set_scanned(connection, [outer.id], inner.scanned_at_utc)
    roots_files.forget_root(connection, inner.id)


def _give(
    connection: Connection, settings: Settings, inner: MountedRoot, outer: MountedRoot
) -> None:
    """Give an inner root what the outer one has in its folder."""
    start = _start(inner, outer)
    places = {
        file: FilePlace(inner.id, file.place.path.removeprefix(start))
        for file in roots_files.files_of(connection, outer.id, start)
        if file.mine
    }
    if places:
        _relocate(connection, settings, places, roots_files.files_of(connection, inner.id))


def _start(inner: MountedRoot, outer: MountedRoot) -> bytes:
    """Give what paths in the inner root's folder start with below the outer one's."""
    rest = rest_below(inner.folder, outer.folder)
    return rest + b"/" if rest else rest


def _relocate(
    connection: Connection,
    settings: Settings,
    places: Mapping[LyingFile, FilePlace],
    known: Iterable[LyingFile],
) -> None:
    """Move files; where one lies already, what was read last stays."""
    there = {file.place: file for file in known}
    pairs = [(file, there[at]) for file, at in places.items() if at in there]
    gone = {min(pair, key=lambda f: (not f.mine, f.read_at_utc, f.id)) for pair in pairs}
    stay = {file: at for file, at in places.items() if file not in gone}
    roots = Roots.load(connection)
    unlike = {file for file, at in stay.items() if roots.told(file.place) != roots.told(at)}
    roots_files.move_files(connection, {f.id: at for f, at in stay.items()}, {f.id for f in gone})
    _hear_anew(connection, settings, gone | unlike)


def _hear_anew(connection: Connection, settings: Settings, files: set[LyingFile]) -> None:
    """Choose anew which header speaks for frames whose files, or the names of these, changed."""
    headers = {file.header_id for file in files if file.header_id is not None}
    if not headers:
        return
    from runlog.actions.writer import Writer

    frame_ids = roots_files.frames_of_headers(connection, headers)
    Writer(settings).interpret_anew(connection, frame_ids)
