"""Measure files without a database, as rows with the keys of a stored frame."""

import os
from collections.abc import Iterator, Sequence
from dataclasses import astuple, replace

from runlog.actions.frames import Entry, frame_row, unreadable_row
from runlog.actions.interpret import Interpreter
from runlog.config import Settings
from runlog.core.frame import (
    Frame,
    FrameHeader,
    Identity,
    Judgement,
    Placement,
)
from runlog.core.pixels import ReadFrame
from runlog.core.sensor.row_faults import suspicion
from runlog.ingest.task import Task, read_file
from runlog.store.frames import path_parts


def measured_rows(
    paths: Sequence[bytes], settings: Settings, *, second_opinion: bool = False
) -> list[Entry]:
    """
    Measure files without a database; what needs a run stays empty.

    A second opinion is one more key, null where a file cannot be read.
    """
    return [_measured(path, settings, second_opinion) for path in paths]


def _measured(path: bytes, settings: Settings, second_opinion: bool) -> Entry:
    asked: Entry = {"second_opinion": None} if second_opinion else {}
    task = Task(os.path.abspath(path), path_parts(path), settings.rules, limits=settings.limits)
    outcome = read_file(task)
    if outcome.frame is None or outcome.header is None:
        return unreadable_row(path, outcome.failure or "cannot be read") | asked
    if second_opinion:
        from runlog.actions.second_opinion import opinion_on  # photutils, where it is asked for

        asked = {"second_opinion": opinion_on(outcome, settings.limits)}
    frame = _as_frame(outcome.frame, outcome.header, settings)
    # What needs a run, or a person, is not said at all.
    unsaid = dict.fromkeys(("grade", "graded_by", "corrected"))
    return frame_row(frame, [os.fsdecode(path)], missing=False) | unsaid | asked


def _as_frame(read: ReadFrame, header: FrameHeader, settings: Settings) -> Frame:
    got, context = read.measurement, Interpreter(settings).meaning(header, read.shape).context
    context = replace(context, airmass=header.airmass, pedestal_adu=header.pedestal_adu)
    words = "; ".join([*got.notes, *_suspicion(read)]) if got.measured else None
    return Frame(
        Identity(read.content_key, 0, True, "", *astuple(read.shape)),
        header,
        got,
        context,
        Placement(streaks=got.streaks),
        Judgement(note=words or None),
    )


def _suspicion(read: ReadFrame) -> Iterator[str]:
    """Say what stands out about the rows; whether it is a fault only other frames tell."""
    signs = read.measurement.signs
    words = suspicion(signs, read.shape.height) if signs else None
    if words:
        yield words
