"""The numbers asked of nights that are wrong for hours, of events, and of words."""

import re
from collections.abc import Callable, Sequence

from .labels import FrameLabel, Span, stretches
from .whole_bars import Bar, frame_bar, frames_of, is_clean, night_bar, of
from .whole_cases import FRAME, SINGLE
from .whole_read import Event, Night, Seen

NEVER = ("no-dither", "jump", "wind", "turned", "stopped", "late-start", "cloud", "dew",
         "obstruction", "trailing", "focus-drift", "drift", "cirrus")  # fmt: skip
ASKED_NEVER = NEVER[:4]
NEVER_PRINTED = ("unknown unknown", r"\b1 light frames", r"\b1 frames", r"\bNone\b", r"\bnan\b",
                 r"\b0 s kept")  # fmt: skip
THIN = re.compile(r"thin|cirrus|veil|haz|cloud", re.IGNORECASE)
DRIFTED = 1.3
DRIFT_BEGINS = 1.13, 1.25  # from the limit of `defocused_ratio` to what anybody sees


def hours_bars(nights: Sequence[Night]) -> list[Bar]:
    """Judge everything that lasts for part of a night."""
    return [
        *_front(nights), *_dew(nights), *_plateau(nights), *_cirrus(nights), *_drift(nights),
        *_once(nights), *_schedule(nights), *_shaken(nights), *_pointing(nights),
        *_falsely(nights), *_words(nights),
    ]  # fmt: skip


def _clean(nights: Sequence[Night], what: str, *kinds: str) -> Bar:
    frames = [(n, s) for n, s in frames_of(of(nights, SINGLE, kinds=kinds)) if is_clean(s.label)]
    return frame_bar(what, frames, asked=0.95, ok=lambda s: s.kept)


def _true(night: Night, kind: str, hit: Callable[[FrameLabel], bool]) -> Span | None:
    found = stretches(kind, [hit(seen.label) for seen in night.frames])
    return max(found, key=lambda span: span.last - span.first) if found else None


def _start_off(night: Night, true: Span | None, kinds: Sequence[str], near: int) -> str:
    """Say what is wrong with the start of an event; "" where it is told within some frames."""
    assert true is not None
    told = [e for e in night.told(*kinds) if e.last >= true.first and e.first <= true.last]
    if not told:
        return f"true {true.first}-{true.last}, not told; told are {_list(night.events)}"
    best = min(told, key=lambda e: abs(e.first - true.first))
    off = best.first - true.first
    return "" if abs(off) <= near else f"true {true.first}-{true.last}, told as {best}"


def _list(events: Sequence[Event]) -> str:
    return "; ".join(map(str, events)) or "none"


# --- in front of the sky ---------------------------------------------------------------------


def _front(nights: Sequence[Night]) -> list[Bar]:
    chosen = of(nights, SINGLE, kinds=("tree", "roof"))
    covered = [(n, s) for n, s in frames_of(chosen) if s.label.covered >= 1 / 3]
    every = frames_of(chosen)
    return [
        _clean(nights, "tree, roof: clean frames kept", "tree", "roof"),
        frame_bar("tree, roof: frames covered by a third named obstructed", covered, asked=0.95,
                  ok=lambda s: not s.kept and "obstructed" in s.named),
        frame_bar("tree, roof: no frame is worth over 1.5 times its exposure", every, asked=1.0,
                  ok=_not_dear),
        frame_bar("tree, roof: no clean frame called obstructed, bright or cloudy",
                  [(n, s) for n, s in every if is_clean(s.label)], asked=1.0,
                  ok=lambda s: not {"obstructed", "bright-sky", "cloud"} & set(s.named)),
        night_bar("tree, roof: obstruction told, start within 2 frames", chosen, 1.0,
                  lambda n: _start_off(n, _true(n, "obstruction", lambda f: f.covered >= 0.2),
                                       ("obstruction",), 2)),
    ]  # fmt: skip


def _not_dear(seen: Seen) -> bool:
    effective_s = seen.row["effective_s"]
    return effective_s is None or bool(effective_s <= 1.5 * seen.label.exposure_s)


# --- light lost ------------------------------------------------------------------------------


def _dew(nights: Sequence[Night]) -> list[Bar]:
    chosen = of(nights, SINGLE, kinds=("dew",))
    wet = [(n, s) for n, s in frames_of(chosen) if s.label.dew_light <= 0.6]
    return [
        night_bar("dew: told, start within 3 frames of 85 % of the light", chosen, 1.0,
                  lambda n: _start_off(n, _true(n, "dew", lambda f: f.dew_light <= 0.85),
                                       ("dew",), 3)),
        frame_bar("dew: at 60 % of the light and less not kept", wet, asked=0.95,
                  ok=lambda s: not s.kept),
        frame_bar("dew: these called dew", wet, asked=0.95, ok=lambda s: s.first == "dew"),
        _clean(nights, "dew: clean frames kept", "dew"),
    ]  # fmt: skip


def _plateau(nights: Sequence[Night]) -> list[Bar]:
    chosen = of(nights, SINGLE, kinds=("plateau",))
    low = [(n, s) for n, s in frames_of(chosen) if s.label.plateau < 1.0]
    return [
        frame_bar("half the light for an hour: not kept", low, asked=0.95, ok=lambda s: not s.kept),
        frame_bar("half the light for an hour: not called cloud", low, asked=0.95,
                  ok=lambda s: "cloud" not in s.named),
        night_bar("half the light for an hour: no event of cloud", chosen, 1.0,
                  lambda n: _list(n.told("cloud")) if n.told("cloud") else ""),
        _clean(nights, "half the light for an hour: clean frames kept", "plateau"),
    ]  # fmt: skip


def _cirrus(nights: Sequence[Night]) -> list[Bar]:
    return [
        night_bar("two hours of 5 to 15 %: mentioned", of(nights, SINGLE, kinds=("cirrus",)), 1.0,
                  lambda n: "" if _mentions_thin(n) else n.verdicts["sky"]["evidence"]),
        night_bar("clean first nights: no thin cloud mentioned",
                  of(nights, SINGLE, kinds=("clean",)), None,
                  lambda n: n.verdicts["sky"]["evidence"] if _mentions_thin(n) else ""),
        _clean(nights, "two hours of 5 to 15 %: clean frames kept", "cirrus"),
    ]  # fmt: skip


def _mentions_thin(night: Night) -> bool:
    """Tell whether thin cloud is told: as an event, or in the verdict on the sky."""
    words = night.verdicts.get("sky", {}).get("evidence", "")
    said = [part for part in re.split(r"[;:.] ", words) if not re.search(r"\bno(ne)?\b", part)]
    events = night.told("cloud", "cirrus", "haze", "thin-cloud")
    return bool(events) or any(THIN.search(part) for part in said)


# --- focus through filters -------------------------------------------------------------------


def _drift(nights: Sequence[Night]) -> list[Bar]:
    chosen = of(nights, SINGLE, kinds=("drift",))
    wide = [(n, s) for n, s in frames_of(chosen) if s.label.defocus >= DRIFTED]
    return [
        frame_bar("drift through filters: 1.3 times as wide not kept", wide, asked=0.95,
                  ok=lambda s: not s.kept),
        frame_bar("drift through filters: these called defocused", wide,
                  ok=lambda s: s.first == "defocused"),
        night_bar("drift through filters: told, start within a frame of 1.13 to 1.25 times",
                  chosen, 1.0, _drift_off),
        _clean(nights, "drift through filters: clean frames kept", "drift"),
        night_bar("drift through filters: focus not good", chosen, 1.0,
                  lambda n: "focus good" if n.opinion("focus") == "good" else ""),
    ]  # fmt: skip


def _drift_off(night: Night) -> str:
    """Say what is wrong with a drift's start; between slight and sure either may be told."""
    slight, sure = (
        _true(night, "focus-drift", lambda f, n=least: f.defocus >= n) for least in DRIFT_BEGINS
    )
    assert slight is not None
    assert sure is not None
    told = night.told("focus-drift")
    near = [e for e in told if slight.first - 1 <= e.first <= sure.first + 1]
    return "" if near else f"true {slight.first} to {sure.first}, told {_list(told)}"


def _once(nights: Sequence[Night]) -> list[Bar]:
    chosen = of(nights, SINGLE, kinds=("once",))
    wide = [(n, s) for n, s in frames_of(chosen) if s.label.defocus >= DRIFTED]
    return [
        frame_bar("single frames out of focus: not kept", wide, asked=0.95,
                  ok=lambda s: not s.kept),
        night_bar("single frames out of focus: no drift told", chosen, 1.0,
                  lambda n: _list(n.told("focus-drift")) if n.told("focus-drift") else ""),
        _clean(nights, "single frames out of focus: clean frames kept", "once"),
    ]  # fmt: skip


# --- the rig stopped -------------------------------------------------------------------------


def _schedule(nights: Sequence[Night]) -> list[Bar]:
    early = of(nights, SINGLE, kinds=("early-stop",))
    late = of(nights, SINGLE, kinds=("late-start",))
    cloudy = of(nights, SINGLE, kinds=("stop-cloud",))
    setting = of(nights, SINGLE, kinds=("set-target",))
    return [
        night_bar("early stop: told to the frame", early, 1.0, _stop_wrong),
        night_bar("early stop: schedule not good", early, 1.0, _schedule_good),
        night_bar("late start: told at the first frame", late, 1.0,
                  lambda n: "" if any(e.first <= 0 for e in n.told("late-start"))
                  else _list(n.events)),
        night_bar("late start: schedule not good", late, 1.0, _schedule_good),
        night_bar("late start: no stop told", late, 1.0,
                  lambda n: _list(n.told("stopped")) if n.told("stopped") else ""),
        night_bar("stop under cloud: not told, or told with the cloud", cloudy, 1.0,
                  lambda n: _blamed(n, r"cloud|overcast|weather")),
        night_bar("target set: not told, or told with the target", setting, 1.0,
                  lambda n: _blamed(n, r"target|low|set|horizon|altitude|\bhigh\b")),
    ]  # fmt: skip


def _stop_wrong(night: Night) -> str:
    last = night.frames[-1].label.number
    told = night.told("stopped")
    return "" if any(last in (e.first, e.last) for e in told) else _list(night.events)


def _schedule_good(night: Night) -> str:
    found = night.verdicts.get("schedule", {})
    return f"good: {found.get('evidence')}" if found.get("verdict") == "good" else ""


def _blamed(night: Night, words: str) -> str:
    blamed = [e for e in night.told("stopped") if not re.search(words, e.text, re.IGNORECASE)]
    return _list(blamed) if blamed else ""


# --- wind, tracking, pointing ----------------------------------------------------------------


def _shaken(nights: Sequence[Night]) -> list[Bar]:
    windy, tracking = (of(nights, SINGLE, kinds=(kind,)) for kind in ("wind", "tracking"))
    shaken = [
        (n, s) for n, s in frames_of([*windy, *tracking]) if s.label.trail_fwhm >= 1.0
    ]  # fmt: skip
    return [
        frame_bar("gusts and trails of a width: not kept", shaken, asked=0.95,
                  ok=lambda s: not s.kept),
        night_bar("gusts: told as wind, one event", windy, 1.0,
                  lambda n: "" if len(n.told("wind")) == 1 else _list(n.events)),
        night_bar("gusts: no trailing told beside", windy, None,
                  lambda n: _list(n.told("trailing")) if n.told("trailing") else ""),
        night_bar("one direction: trailing told, no wind", tracking, 1.0,
                  lambda n: "" if n.told("trailing") and not n.told("wind") else _list(n.events)),
        _clean(nights, "gusts and trails: clean frames kept", "wind", "tracking"),
    ]  # fmt: skip


def _pointing(nights: Sequence[Night]) -> list[Bar]:
    dithers = of(nights, SINGLE, kinds=("dither",))
    turned = of(nights, SINGLE, kinds=("turned",))
    return [
        night_bar("dither each third or fourth frame: no no-dither, pointing good", dithers, 1.0,
                  _dither_wrong),
        _clean(nights, "dither each third or fourth frame: clean frames kept", "dither"),
        night_bar("camera turned by 2.3 degrees: told to the frame", turned, 1.0, _turn_wrong),
        _clean(nights, "camera turned: clean frames kept", "turned"),
    ]  # fmt: skip


def _dither_wrong(night: Night) -> str:
    told = night.told("no-dither")
    if told or night.opinion("pointing") != "good":
        return f"{_list(told)}; pointing {night.verdicts.get('pointing')}"
    return ""


def _turn_wrong(night: Night) -> str:
    first = next(s.label.number for s in night.frames if s.label.turned_deg != 0)
    told = night.told("turned")
    near = [e for e in told if first in (e.first, e.last) or first - 1 == e.last]
    return "" if near and len(told) == 1 else f"true {first}; told {_list(night.events)}"


# --- told without reason, and words ----------------------------------------------------------


def _falsely(nights: Sequence[Night]) -> list[Bar]:
    clean = of(nights, SINGLE, kinds=("clean",))
    return [
        night_bar(f"clean first nights: no {kind}", clean, 1.0 if kind in ASKED_NEVER else None,
                  lambda n, k=kind: _list(n.told(k)) if n.told(k) else "")
        for kind in NEVER
    ]  # fmt: skip


def _words(nights: Sequence[Night]) -> list[Bar]:
    lone = [n for n in nights if n.case.standing == FRAME]
    return [
        *(
            night_bar(f"never printed: {words}", nights, 1.0, lambda n, w=words: _around(n.text, w))
            for words in NEVER_PRINTED
        ),
        night_bar("one frame: parts called good", lone, None, _good_parts),
    ]


def _around(text: str, words: str) -> str:
    found = re.search(words, text)
    if found is None:
        return ""
    return text[max(found.start() - 60, 0) : found.end() + 60].replace("\n", " / ")


def _good_parts(night: Night) -> str:
    return ", ".join(part for part in night.verdicts if night.opinion(part) == "good")
