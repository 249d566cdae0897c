"""What keeping or dropping frames does to the finished picture, and marks by that advice."""

import os
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, Engine

from runlog.config import Settings
from runlog.core.frame import Frame, Grade, Kind
from runlog.core.ledger.effective_time import DepthForm
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.worth.advice import Advice, Asked, Effect, Judged
from runlog.core.worth.dither import dither_of, dither_words
from runlog.core.worth.judge import Frames
from runlog.core.worth.stack import Weights
from runlog.core.worth.words import advice_words, keeping_words
from runlog.store.choose import list_frames
from runlog.store.engine import reading
from runlog.store.listing import paths_of_frames

WORTH_KEYS = (
    "fingerprint path night taken_at_utc target filter rig exposure_s grade faults light half_rule "
    "depth_change star_depth_change width_change depth_change_best star_depth_change_best "
    "width_change_best advice why"
).split()
DITHER_KEYS = (
    "target filter rig frames left_out fwhm_px p_x p_y even places most_on_one trails "
    "crossed_share text"
).split()
MARKS = {Advice.KEEP: "keep", Advice.DROP: "reject"}


def worth(
    engine: Engine,
    settings: Settings,
    selection: Selection = EVERYTHING,
    weights: Weights = Weights.EQUAL,
) -> list[Asked]:
    """Judge the frames of a selection, each in the picture of all kept ones like it.

    A grade or fault asks about all its frames; else about those that are doubtful or bring little.
    """
    with reading(engine) as connection:
        chosen = {f.key: f for f in list_frames(connection, selection) if f.is_light}
        every = _all_like(connection, selection, list(chosen.values()))
    whole = selection.grade is not None or selection.fault is not None
    found = (
        Frames(own, _form(own, settings), weights).ask(lambda f: f.key in chosen, every_grade=whole)
        for own in every
    )
    return [asked for asked in found if asked is not None]


def worth_words(engine: Engine, settings: Settings, ids: Sequence[int]) -> str:
    """Say in a line what keeping some frames does, all of one target, filter and rig."""
    with reading(engine) as connection:
        asked = list_frames(connection, Selection(frame_ids=tuple(ids)))
        if not asked:
            return "keep: unknown, because it is not stored any more"
        target, filter_name, rig = group = _group(asked[0])
        alike = Selection(target=target, filter=filter_name, rigs=(rig,), kind=Kind.LIGHT.value)
        every = list_frames(connection, alike)
    own = [frame for frame in every if frame.is_light and _group(frame) == group]
    return keeping_words(Frames(own, _form(own, settings), Weights.EQUAL), asked)


def _all_like(
    connection: Connection, selection: Selection, chosen: Sequence[Frame]
) -> list[list[Frame]]:
    """Load all frames of the targets, filters and rigs of some, each such group in time order."""
    groups: dict[tuple[str, str, str], list[Frame]] = {_group(f): [] for f in chosen}
    if selection.is_all_time:
        frames = list(chosen)
    else:
        targets = sorted({target for target, _, _ in groups})
        frames = [
            frame
            for target in targets
            for frame in list_frames(connection, Selection(target=target, kind=Kind.LIGHT.value))
            if frame.is_light and frame.context.target == target
        ]
    for frame in frames:
        if (group := _group(frame)) in groups:
            groups[group].append(frame)
    return [groups[name] for name in sorted(groups)]


def _group(frame: Frame) -> tuple[str, str, str]:
    return frame.context.target, frame.context.filter, frame.context.rig


def _form(frames: Sequence[Frame], settings: Settings) -> DepthForm:
    """Take the form that the rig's effective time is reckoned in; that of the config else."""
    known = [f.judgement.effective_form for f in frames if f.judgement.effective_form]
    return DepthForm(known[0]) if known else settings.depth_form


# --- dithers --------------------------------------------------------------------------------


def dithers(engine: Engine, selection: Selection = EVERYTHING) -> list[dict[str, Any]]:
    """Say of each target, filter and rig how the kept frames of a selection lie on one another."""
    groups: dict[tuple[str, str, str], list[Frame]] = {}
    with reading(engine) as connection:
        for frame in list_frames(connection, replace(selection, grade=Grade.KEEP.value)):
            if frame.is_light:
                groups.setdefault(_group(frame), []).append(frame)
    return [_dither_row(name, groups[name]) for name in sorted(groups)]


def _dither_row(name: tuple[str, str, str], kept: Sequence[Frame]) -> dict[str, Any]:
    found = dither_of(kept)
    place = dict(zip(("target", "filter", "rig"), name, strict=True))
    if found is None:
        text = "unknown, because no two of its frames were laid on one another"
        return place | dict.fromkeys(DITHER_KEYS[3:]) | {"frames": len(kept), "text": text}
    return place | {
        "frames": found.frames,
        "left_out": found.left_out,
        "fwhm_px": found.fwhm_px,
        "p_x": found.p_x,
        "p_y": found.p_y,
        "even": found.even,
        "places": found.places,
        "most_on_one": found.most_on_one,
        "trails": found.trails,
        "crossed_share": found.crossed,
        "text": dither_words(found),
    }


# --- marks ----------------------------------------------------------------------------------


def marks_advised(found: Sequence[Asked]) -> dict[str, list[int]]:
    """Give the frames that the advice would mark otherwise than they are, by the mark."""
    return {
        mark: ids
        for advice, mark in MARKS.items()
        if (ids := [f.identity.id for a in found for f in a.advised(advice) if _differs(f, mark)])
    }


def _differs(frame: Frame, mark: str) -> bool:
    return frame.judgement.grade.value != mark


# --- rows -----------------------------------------------------------------------------------


def worth_rows(engine: Engine, found: Sequence[Asked]) -> list[dict[str, Any]]:
    """Write the frames that were asked about with the keys of `runlog.worth/1`."""
    ids = [one.frame.identity.id for asked in found for one in asked.judged]
    with reading(engine) as connection:
        paths = paths_of_frames(connection, ids)
    return [
        _row(one, paths.get(one.frame.identity.id, [])) for asked in found for one in asked.judged
    ]


def _row(one: Judged, files: Sequence[tuple[bytes, bool]]) -> dict[str, Any]:
    where, header, own = one.frame.context, one.frame.header, one.frame.judgement
    equal, best = one.equal, one.best
    return {
        "fingerprint": one.frame.key,
        "path": os.fsdecode(files[0][0]) if files else None,
        "night": where.night or None,
        "taken_at_utc": header.taken_at_utc,
        "target": where.target,
        "filter": where.filter,
        "rig": where.rig,
        "exposure_s": header.exposure_s,
        "grade": own.grade.value,
        "faults": [fault.name.value for fault in own.faults],
        "light": one.light,
        "half_rule": one.half_rule,
        "depth_change": equal.depth if equal else None,
        "star_depth_change": equal.stars if equal else None,
        "width_change": equal.width if equal else None,
        "depth_change_best": best.depth if best else None,
        "star_depth_change_best": best.stars if best else None,
        "width_change_best": best.width if best else None,
        "advice": one.advice.value,
        "why": one.why or None,
    }


def picture_rows(found: Sequence[Asked]) -> list[dict[str, Any]]:
    """Write each picture: how many frames, what is advised, and what following it does."""
    rigs: dict[tuple[str, str], int] = {}
    for one in found:
        rigs[one.target, one.filter] = rigs.get((one.target, one.filter), 0) + 1
    return [_picture(one, rigs[one.target, one.filter] > 1) for one in found]


def _picture(asked: Asked, name_rig: bool) -> dict[str, Any]:
    effect = asked.together or Effect(0.0, 0.0, 0.0)
    return {
        "target": asked.target,
        "filter": asked.filter,
        "rig": asked.rig,
        "form": asked.form.value,
        "weights": asked.weights.value,
        "kept": asked.kept,
        "left_out": asked.left_out,
        "asked": len(asked.judged),
        "keep": len(asked.advised(Advice.KEEP)),
        "drop": len(asked.advised(Advice.DROP)),
        "depth_change": effect.depth,
        "star_depth_change": effect.stars,
        "width_change": effect.width,
        "text": advice_words(asked, name_rig=name_rig),
    }
