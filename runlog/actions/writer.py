"""Store what was read, a batch at a time: what a header means is worked out once for each frame."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum

from sqlalchemy import Connection

from runlog.actions.interpret import Interpreter, doubted
from runlog.config import Settings
from runlog.core.corrections.in_force import Said
from runlog.core.frame import Card, FrameHeader, Shape
from runlog.core.identity import speaking_header
from runlog.core.pixels import ReadFrame
from runlog.ingest.discover import is_gone
from runlog.store import frames as store
from runlog.store.corrections import said_of
from runlog.store.frames import FileStamp, NewFrame, Standing, path_parts
from runlog.store.headers import StoredHeader, headers_of, let_speak, put_header
from runlog.store.members import refuse_others_frame
from runlog.store.runs import touch

AT_ONCE = 500  # frames whose headers are held at a time


class Arrival(StrEnum):
    """What a file turned out to be."""

    NEW = "new"
    DUPLICATE = "duplicate"  # its pixels are known, and another file still holds them
    MOVED = "moved"  # its pixels are known from a file that is gone
    REWRITTEN = "rewritten"  # it holds the pixels it held: its header changed, or nothing
    REMEASURED = "remeasured"  # it was read only to be measured again
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Arrived:
    """A file that was read, and what its header says."""

    stamp: FileStamp
    read: ReadFrame
    header: FrameHeader

    @property
    def key(self) -> str:
        """The content key of its pixels."""
        return self.read.content_key

    def parsed(self, shape: Shape, parts: Sequence[str]) -> FrameHeader | None:
        """Give its header as it was parsed, where that was for these pixels and names."""
        same = shape == self.read.shape and tuple(parts) == path_parts(self.stamp.told)
        return self.header if same else None


class Writer:
    """Puts files that were read into the database."""

    def __init__(self, settings: Settings) -> None:
        self._interpreter = Interpreter(settings)

    def put(
        self, connection: Connection, arrived: Sequence[Arrived], now: datetime
    ) -> list[Arrival]:
        """Store files' frames, or recognise their pixels; marks the runs they touch dirty.

        What is new is stored at once; the few files whose pixels or paths are known one by one.
        """
        if not arrived:
            return []
        said = said_of(connection, sorted({file.key for file in arrived}))
        known = store.ids_of_keys(connection, list(said))
        before = store.frames_of_places(connection, [file.stamp.place for file in arrived])
        first = {file.key: file for file in reversed(arrived) if file.key not in known}
        new = [file for file in arrived if first.get(file.key) is file]
        if new:
            frames = [self._new(file, said[file.key]) for file in new]
            known |= store.insert_frames(connection, frames, now)
        arrivals = []
        for file in arrived:
            old = before.get(file.stamp.place)
            if first.get(file.key) is not file:
                of_frames = known[file.key], old
                arrivals.append(self._put_known(connection, file, of_frames, said, now))
                continue
            arrivals.append(Arrival.NEW)
            if old is not None:
                self._speak(connection, [old], said)
        return arrivals

    def interpret_anew(self, connection: Connection, frame_ids: Sequence[int]) -> None:
        """Read the meaning of stored headers anew, as after a correction; marks runs dirty."""
        for start in range(0, len(frame_ids), AT_ONCE):
            self._speak(connection, frame_ids[start : start + AT_ONCE], {})

    def _new(self, file: Arrived, said: Said) -> NewFrame:
        shape = _told(file.read.cards, file.read.shape)
        parts = path_parts(file.stamp.told)
        header = file.parsed(shape, parts)
        header = header or self._interpreter.parse(file.read.cards, shape, parts)
        meant = self._interpreter.meaning(header, shape, said)
        return NewFrame(file.stamp, file.read, meant, shape)

    def _put_known(
        self,
        connection: Connection,
        file: Arrived,
        of_frames: tuple[int, int | None],
        said: Mapping[str, Said],
        now: datetime,
    ) -> Arrival:
        """Store a file of known pixels; `of_frames` are these and what its place held before."""
        frame_id, old = of_frames
        refuse_others_frame(connection, frame_id)
        others = store.other_files(connection, frame_id, file.stamp.place)
        header_id = put_header(connection, frame_id, file.read, file.header.stage_by_cards)
        store.put_file(connection, file.stamp, header_id, now)
        touched = {frame_id, frame_id if old is None else old}
        self._speak(connection, sorted(touched), said, {header_id: file})
        store.add_measurement(connection, frame_id, header_id, file.read)
        if old == frame_id:
            return Arrival.REWRITTEN
        return Arrival.DUPLICATE if any(map(_may_be_there, others)) else Arrival.MOVED

    # --- which header speaks, and what it means ------------------------------------------------

    def _speak(
        self,
        connection: Connection,
        frame_ids: Sequence[int],
        said: Mapping[str, Said],
        just_read: Mapping[int, Arrived] | None = None,
    ) -> None:
        """Let the header chosen by rule speak; the order in which files came does not matter.

        `just_read` are files by the header they have: what they say was parsed already.
        """
        frames = store.standing_frames(connection, frame_ids)
        unheard = [frame.content_key for frame in frames if frame.content_key not in said]
        said = {**said, **said_of(connection, unheard)} if unheard else said
        headers = headers_of(connection, frame_ids)
        for frame in frames:
            own = headers.get(frame.id)
            if own:
                self._apply(connection, frame, own, said[frame.content_key], just_read or {})
            else:
                touch(connection, [frame.run_id])

    def _apply(
        self,
        connection: Connection,
        frame: Standing,
        headers: Sequence[StoredHeader],
        said: Said,
        just_read: Mapping[int, Arrived],
    ) -> None:
        at = speaking_header([header.copy for header in headers]) if len(headers) > 1 else 0
        chosen = headers[at]
        if not chosen.speaks:
            let_speak(connection, frame.id, chosen.id)
        shape, parts = _told(chosen.cards, frame.shape), path_parts(chosen.path)
        meanings = []
        for header in (chosen, *(header for header in headers if header is not chosen)):
            file = just_read.get(header.id)
            parsed = file.parsed(shape, parts) if file else None
            parsed = parsed or self._interpreter.parse(header.cards, shape, parts)
            meanings.append(self._interpreter.meaning(parsed, shape, said))
        store.write_meaning(connection, frame, doubted(meanings[0], meanings[1:]), shape)


def _may_be_there(path: bytes | None) -> bool:
    """Tell whether a file may be there; one that another machine has is not looked for."""
    return path is None or not is_gone(path)


def _told(cards: Sequence[Card], shape: Shape) -> Shape:
    """Take the type of the stored values from the header that speaks: copies may differ in it."""
    found = next((card.value for card in cards if card.keyword == "BITPIX"), None)
    return replace(shape, bitpix=found) if isinstance(found, int) else shape
