"""Tell where effective hours became others: after a scan, and after an upgrade, night by night."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from sqlalchemy import Engine

from runlog.core.columns import hours
from runlog.core.ledger.effective_words import effective_note
from runlog.core.ledger.restated import WORTH_TELLING, Held, Restated, restated
from runlog.core.ledger.worth import Worth, together
from runlog.store import run_hours as store
from runlog.store.engine import reading, writing
from runlog.store.run_hours import HoursBefore, Key, RunHours
from runlog.store.runs import dirty_runs

SAME_S = 0.5  # kept time that did not change
BY_NIGHTS = "measured by the best nights, no longer by one frame"

Hours = Mapping[Key, RunHours]


def hours_now(engine: Engine) -> Hours:
    """Load the hours of every run, to compare them later."""
    with reading(engine) as connection:
        return store.run_hours(connection)


def restatements(before: Hours, now: Hours) -> list[Restated]:
    """List the targets and filters whose hours of before are others now, by more than 3 %."""
    held: dict[tuple[str, str], list[Held]] = {}
    for key, old in before.items():
        new = now.get(key)
        if new is not None and old.kept_s == new.kept_s:
            held.setdefault(key[1:], []).append(Held(old.worth, new.worth))
    found = (restated(*names, runs) for names, runs in sorted(held.items()))
    return [one for one in found if one is not None]


# --- after an upgrade -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NightChange:
    """What an upgrade made of a night's hours."""

    night: str | None
    rig: str
    kept_before_s: float
    kept_s: float
    effective_before_s: float | None
    effective_s: float | None
    why: str


def changed_by_upgrade(engine: Engine) -> list[NightChange]:
    """List the nights whose hours are others than before the last upgrade, in time order."""
    with reading(engine) as connection:
        before, now = store.hours_before(connection), store.run_hours(connection)
    by_run: dict[int, list[Key]] = {}
    for key in dict.fromkeys((*now, *before)):
        by_run.setdefault(key[0], []).append(key)
    changes = (_change([(before.get(k), now.get(k)) for k in keys]) for keys in by_run.values())
    return [change for change in changes if change is not None and _differs(change)]


def _change(pairs: Iterable[tuple[HoursBefore | None, RunHours | None]]) -> NightChange | None:
    olds, news = [], []
    for old, new in pairs:
        olds += [old] if old else []
        news += [new] if new else []
    if not news:
        return None
    worth = together(new.worth for new in news)
    known = [old.effective_s for old in olds if old.effective_s is not None]
    return NightChange(
        news[0].night or None,
        news[0].rig,
        sum(old.kept_s for old in olds),
        sum(new.kept_s for new in news),
        sum(known) if known else None,
        worth.effective_s,
        _why(worth, news[0].night),
    )


def _why(worth: Worth, night: str) -> str:
    note = effective_note(worth, night)
    if not worth.known:
        return note or "nothing of it is kept"
    return BY_NIGHTS if note is None else f"{BY_NIGHTS}; {note}"


def _differs(change: NightChange) -> bool:
    if abs(change.kept_s - change.kept_before_s) > SAME_S:
        return True
    old, new = change.effective_before_s, change.effective_s
    if old is None or new is None:
        return (old is None) != (new is None)
    return abs(new - old) > WORTH_TELLING * max(old, SAME_S)


def tell_upgrade(engine: Engine) -> Iterator[str]:
    """Say once, in a table, which nights an upgrade changed; nothing where it changed none."""
    with reading(engine) as connection:
        if not store.waits_to_be_compared(connection) or dirty_runs(connection):
            return
    if changes := changed_by_upgrade(engine):
        yield "Hours that this version reckons otherwise; marks and files are as they were:"
        yield f"  {'night':<10}  {'kept':>24}  {'effective':>24}  rig, and why"
        yield from map(_line, changes)
    with writing(engine) as connection:
        store.forget_hours_before(connection)


def _line(c: NightChange) -> str:
    kept = _both(c.kept_before_s, c.kept_s)
    deep = _both(c.effective_before_s, c.effective_s)
    return f"  {c.night or 'undated':<10}  {kept:>24}  {deep:>24}  {c.rig}: {c.why}"


def _both(before_s: float | None, now_s: float | None) -> str:
    old, new = ("unknown" if s is None else hours(s) for s in (before_s, now_s))
    return new if old == new else f"{old} > {new}"
