"""The same words mean the same frames, whoever asks: listings beside a loop over all frames."""

import os
from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from math import fsum
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, event, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, update

from runlog.actions.correct import correct
from runlog.actions.export import kept
from runlog.actions.frames import frame_rows
from runlog.actions.nights import night_rows
from runlog.actions.review import listed
from runlog.actions.selecting import selected, vocabulary
from runlog.actions.settle import settle_all
from runlog.actions.targets import target_lines
from runlog.actions.totals import growth_rows, total_rows
from runlog.config import Settings
from runlog.core.frame import Frame, Grade
from runlog.core.plain_words import Vocabulary, understand
from runlog.core.selection import EVERYTHING, Order, Selection, Term
from runlog.core.targets.sequence_words import split_panel
from runlog.errors import UsageError
from runlog.store import models as m
from runlog.store.choose import list_frames
from runlog.store.decisions import Decision, append_decisions
from runlog.store.engine import open_engine, reading, writing
from tests.actions.test_totals_truth import put_all
from tests.archives import BEGIN, FILTERS, Shot, archives, reads_of
from tests.core.spellings import SPELLINGS

PLAIN = Settings()
ASKED_TARGETS = ("M 31", "NGC 7000", "NGC 7000 panel 2", "IC 1396", "(no name)")
IN_WORDS = ("target", "filter", "night", "grade", "fault")
ALL = (*IN_WORDS, "rig", "since", "until")
FAULTS = ("cloud", "trailed")
NIGHTS = [(date(2026, 3, 1) + timedelta(days=n)).isoformat() for n in range(4)]
EXAMPLES = settings(
    max_examples=int(os.environ.get("RUNLOG_ARCHIVES", "25")),
    phases=(Phase.explicit, Phase.reuse, Phase.generate),  # an archive shrinks too slowly
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture(scope="module")
def memory() -> Iterator[Engine]:
    """Give a database in memory, filled anew for every archive."""
    engine = open_engine("sqlite://")
    m.metadata.create_all(engine)
    yield engine
    engine.dispose()


@st.composite
def choices(draw: Any, among: Sequence[str] = ALL) -> tuple[list[Shot], dict[str, str]]:
    """Draw an archive, and options as typed in any spelling, most of them after one shot of it."""
    shots = draw(archives(14, 6))
    like = draw(st.sampled_from(shots))
    target = draw(st.sampled_from([like.target] * 4 + list(ASKED_TARGETS)))
    name = draw(st.sampled_from([like.filter] * 4 + sorted(FILTERS)))
    evening = (BEGIN + timedelta(minutes=10 * like.slot, hours=-11)).date().isoformat()
    spelled = target if target == "(no name)" else draw(st.sampled_from(SPELLINGS[target]))
    filters = ["none"] if name == "(no filter)" else [f for f in FILTERS[name] if f]
    everything = {
        "target": spelled,
        "filter": draw(st.sampled_from(filters)),
        "rig": draw(st.sampled_from([f"MonoCam {like.camera}", "ladybird", "monocam 2"])),
        "night": draw(st.sampled_from([evening] * 3 + NIGHTS)),
        "since": NIGHTS[1],
        "until": NIGHTS[2],
        "grade": draw(st.sampled_from(["keep", "doubtful", "reject", "ungraded"])),
        "fault": draw(st.sampled_from(FAULTS)),
    }
    names = sorted(among)
    asked = {draw(st.sampled_from(names)) for _ in range(draw(st.sampled_from([0, 1, 2, 3, 4])))}
    said = {key: value for key, value in everything.items() if key in asked}
    return shots, said | {"_target": target, "_filter": name}


def fill(engine: Engine, shots: Any, random: Random) -> list[Frame]:
    """Store an archive, graded by a person at random, with faults at random; returns its frames."""
    put_all(engine, reads_of(shots), 16)
    with writing(engine) as connection:
        frames = list_frames(connection)
        lights = [f.identity.id for f in frames if f.context.kind == "light"]
        grades = [random.choice(["keep", "keep", "doubtful", "reject", "auto"]) for _ in lights]
        marks = [Decision(i, g, None) for i, g in zip(lights, grades, strict=True)]
        append_decisions(connection, marks, {}, "tester", BEGIN)
    settle_all(engine, PLAIN)
    with writing(engine) as connection:
        for frame_id in lights:
            said = [name for name in FAULTS if random.random() < 0.4]
            faults = [{"name": n, "grade": "doubtful", "evidence": 'no "cloud"'} for n in said]
            of_one = update(m.frame).where(m.frame.c.id == frame_id)
            connection.execute(of_one.values(faults=faults))
    with reading(engine) as connection:
        return list_frames(connection)


def fits(frame: Frame, asked: dict[str, str]) -> bool:
    """Tell in plain Python whether a frame is meant."""
    context = frame.context
    answers = {
        "target": asked["_target"] in (context.target, split_panel(context.target)[0]),
        "filter": context.filter == asked["_filter"],
        "rig": asked.get("rig", "").lower() in context.rig.lower(),
        "night": context.night == asked.get("night"),
        "since": context.night >= asked.get("since", ""),
        "until": "" < context.night <= asked.get("until", ""),
        "grade": context.kind == "light" and frame.judgement.grade == asked.get("grade"),
        "fault": asked.get("fault") in [fault.name for fault in frame.judgement.faults],
    }
    return all(answers[key] for key in asked if not key.startswith("_"))


def typed(asked: dict[str, str]) -> dict[str, Any]:
    """Give what a person types."""
    return {key: value for key, value in asked.items() if not key.startswith("_")}


def seconds(frames: list[Frame]) -> float:
    """Add up exposure times."""
    return fsum(f.header.exposure_s or 0.0 for f in frames)


@EXAMPLES
@given(choices(), st.randoms(use_true_random=False))
def test_every_listing_means_the_same_frames(
    memory: Engine, drawn: tuple[list[Shot], dict[str, str]], random: Random
) -> None:
    """Frames, totals, growth, nights, export, targets and corrections agree on what is chosen."""
    shots, asked = drawn
    frames = fill(memory, shots, random)
    wanted = [f for f in frames if fits(f, asked)]
    lights = [f for f in wanted if f.is_light]
    event(f"{'some' if lights else 'no'} lights of {len(typed(asked))} options")
    try:
        chosen = selected(memory, PLAIN, **typed(asked))
    except UsageError as error:
        refused(error, asked, frames)
        return
    keys = [row["fingerprint"] for row in frame_rows(memory, chosen)]
    assert sorted(keys) == sorted(f.key for f in wanted)
    for rows in (total_rows(memory, PLAIN, chosen), growth_rows(memory, chosen)):
        check_sums(rows, lights)
    assert sum(row["frames"] for row in night_rows(memory, chosen)) == len(lights)
    handed = [k.key for k in kept(memory, chosen, doubtful=False).frames]
    assert sorted(handed) == sorted(f.key for f in lights if f.judgement.grade is Grade.KEEP)
    assert sum(line.frames for line in target_lines(memory, chosen)) == len(lights)
    check_correcting(memory, chosen, wanted)


def refused(error: UsageError, asked: dict[str, str], frames: list[Frame]) -> None:
    """Check that only a name that no frame has was refused."""
    said = {"No frame of": "target", "No light frame was taken": "filter", "No rig is": "rig"}
    (key,) = [key for words, key in said.items() if str(error).startswith(words)]
    about = {"_target": asked["_target"], "_filter": asked["_filter"], key: asked[key]}
    assert not [f for f in frames if fits(f, about)]


def check_sums(rows: list[dict[str, Any]], lights: list[Frame]) -> None:
    """Compare hours by grade with those of the frames themselves."""
    assert sum(row["frames"] for row in rows) == len(lights)
    assert fsum(row["logged_s"] for row in rows) == pytest.approx(seconds(lights), abs=1e-6)
    for grade, key in (("keep", "kept_s"), ("doubtful", "doubtful_s"), ("reject", "rejected_s")):
        of_grade = seconds([f for f in lights if f.judgement.grade == grade])
        assert fsum(row[key] for row in rows) == pytest.approx(of_grade, abs=1e-6)


def check_correcting(engine: Engine, chosen: Selection, wanted: list[Frame]) -> None:
    """Compare the count of a dry run; a selection of nothing, and of all, is refused."""

    def dry_run() -> int:
        done = correct(engine, PLAIN, "target", "M 1", chosen, "t", replace=True, dry_run=True)
        return done.frames

    if wanted and chosen != EVERYTHING:
        assert dry_run() == len(wanted)
    else:
        with pytest.raises(UsageError, match=r"No frames are chosen|No stored frame fits"):
            dry_run()


@EXAMPLES
@given(choices(IN_WORDS), st.randoms(use_true_random=False))
def test_plain_words_mean_what_options_mean(
    memory: Engine, drawn: tuple[list[Shot], dict[str, str]], random: Random
) -> None:
    """`"ngc7000" ha keep cloud 2026-03-01` lists the lights that those options choose."""
    shots, asked = drawn
    wanted = {f.identity.id for f in fill(memory, shots, random) if f.is_light and fits(f, asked)}
    event(f"{'some' if wanted else 'no'} lights of {len(typed(asked))} options")
    quoted = [f'"{asked[key]}"' for key in ("target", "filter") if key in asked]
    words = " ".join([*quoted, *(asked[k] for k in ("grade", "fault", "night") if k in asked)])
    terms = understand(words, vocabulary(memory, PLAIN)).terms
    found = listed(memory, Selection(terms=terms), Order())
    assert set(found) == wanted, words
    opposite = [f'not "{asked["target"]}"'] if "target" in asked else []
    if opposite:
        terms = understand(" ".join(opposite), vocabulary(memory, PLAIN)).terms
        rest = {"target": asked["target"], "_target": asked["_target"], "_filter": ""}
        with reading(memory) as connection:
            lights = [f for f in list_frames(connection) if f.is_light]
        assert set(listed(memory, Selection(terms=terms), Order())) == {
            f.identity.id for f in lights if not fits(f, rest)
        }


def test_names_that_say_nothing() -> None:
    """`"none"` is frames without a filter, and never what any other empty name would fold to."""
    known = Vocabulary({"(no filter)": "(no filter)"}, no_filter="(no filter)")
    assert understand('"none"', known).terms == (Term("filter", "(no filter)"),)
    assert understand('"(no name)"', known).terms == (Term("target", "(no name)"),)
    assert "no frame of" in understand('"nosuch"', known).waiting


def test_many_frames_by_their_ids(memory: Engine) -> None:
    """A folder of an archive of years holds more frames than a statement takes as parameters."""
    ids = tuple(range(1, 300_001))
    with reading(memory) as connection:
        assert len(list_frames(connection, Selection(frame_ids=ids))) < len(ids)
