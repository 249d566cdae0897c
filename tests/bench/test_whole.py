"""The whole nights are planned as promised, and the judge judges; nothing is drawn here."""

from collections import Counter
from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from .labels import FrameLabel
from .mount import dark_of
from .nights import night_truth
from .planning import Planned, plan_night
from .rigs import RIGS
from .script import Script
from .whole_bars import Bar, frame_bar, is_clean, must, night_bar
from .whole_cases import AFTER, ALONE, BAD, BEFORE, SINGLE, Case, all_cases
from .whole_order import _differences
from .whole_read import Event, Night, Seen
from .whole_scripts import SETUPS, whole_nights


@pytest.fixture(scope="module")
def scripts() -> dict[str, Script]:
    """Write all nights of one seed."""
    return {script.name: script for script in whole_nights(3)}


def _plan(script: Script) -> Planned:
    return plan_night(script, (3, 1))


def test_a_seed_is_a_set_and_another_is_another(scripts: dict[str, Script]) -> None:
    """Guards held-back sets: one seed always writes the same nights, another the same kinds
    otherwise strong, elsewhere and at other times."""
    assert {s.name: s for s in whole_nights(3)} == scripts
    other = {s.name: s for s in whole_nights(4)}
    assert set(other) == set(scripts)
    assert sum(other[name] != script for name, script in scripts.items()) > 0.9 * len(scripts)


def test_every_bad_night_stands_alone_after_and_before_good_ones(
    scripts: dict[str, Script],
) -> None:
    """Guards the cases: each bad kind with no history, after and before two good nights, in two
    rigs and two sizes; the good nights are of the same rig, target and filter and other dates."""
    cases = all_cases(scripts)
    counts = Counter(case.standing for case in cases)
    assert counts[ALONE] == counts[AFTER] == counts[BEFORE] == len(SETUPS) * len(BAD)
    for case in cases:
        nights = [scripts[name] for name in case.nights]
        if case.standing in (AFTER, BEFORE):
            assert len({(n.rig, n.small, n.blocks[0].target, n.blocks[0].filters)
                        for n in nights}) == 1  # fmt: skip
            evenings = [n.evening for n in nights]
            assert evenings == sorted(evenings)
            assert len(set(evenings)) == 3
            assert case.judged == (case.nights[2 if case.standing == AFTER else 0],)
    judged = {name for case in cases for name in case.judged}
    assert {n for n in scripts if "-good-" not in n} == judged


@pytest.mark.parametrize("name", ["clean-02", "clean-05", "clean-10"])
def test_clean_nights_use_the_dark_and_nothing_is_wrong(
    scripts: dict[str, Script], name: str
) -> None:
    """Guards clean nights: from dusk to dawn by ephem, no Moon, every frame clean."""
    planned = _plan(scripts[name])
    dusk, dawn = dark_of(planned.script.evening, RIGS[planned.script.rig].rig.site)
    first, last = (datetime.fromisoformat(planned.labels[n].start_utc) for n in (0, -1))
    end = last + timedelta(seconds=planned.labels[-1].exposure_s)
    assert timedelta(0) < first - dusk < timedelta(minutes=10)
    assert timedelta(0) < dawn - end < timedelta(minutes=25)
    assert all(is_clean(label) for label in planned.labels)


@pytest.mark.parametrize("setup", ["wren", "heron-small"])
def test_trails_are_as_elongated_as_they_are_named(scripts: dict[str, Script], setup: str) -> None:
    """Guards the truth of trailed nights by adaptive moments: within 0.06 of the nominal e."""
    for nominal in (0.47, 0.6):
        planned = _plan(scripts[f"{setup}-trail-{nominal:.2f}"])
        values = sorted(label.eccentricity for label in planned.labels)
        assert abs(values[len(values) // 2] - nominal) < 0.06
        angles = [shot.scene.psf.trail_deg for shot in planned.shots if shot.scene]
        assert max(angles) - min(angles) < 40.0 or max(angles) > 150.0


def test_early_stop_leaves_five_hours(scripts: dict[str, Script]) -> None:
    """Guards the stop: five hours of dark are left, and the target stands high."""
    planned = _plan(scripts["early-stop-wren"])
    _, dawn = dark_of(planned.script.evening, RIGS["wren"].rig.site)
    left = dawn - datetime.fromisoformat(planned.labels[-1].start_utc)
    assert timedelta(hours=4.6) < left < timedelta(hours=5.4)
    assert planned.labels[-1].airmass < 1.3


def _night(script: Script, standing: str, said: list[tuple[str, list[str]]]) -> Night:
    planned = _plan(script)
    frames = [
        Seen(label, {"grade": grade, "faults": faults, "evidence": {}, "note": None, "stars": 9,
                     "fwhm_px": 2.0, "eccentricity": None, "hfr_px": None, "transparency": None,
                     "effective_s": None})
        for label, (grade, faults) in zip(planned.labels, said, strict=False)
    ]  # fmt: skip
    case = Case(f"x+{standing}", standing, (script.name,), (script.name,))
    return Night(case, night_truth(planned), frames, [], {}, {}, "")


def test_bars_count_and_name_what_missed(scripts: dict[str, Script]) -> None:
    """Guards the judge: shares, the word beside them, and a line for each miss."""
    said = [("keep", []), ("doubtful", ["cloud"]), ("doubtful", ["streak", "cloud"])]
    night = _night(scripts["wren-haze"], AFTER, said)
    bar = frame_bar(
        "caught", [(night, s) for s in night.frames], asked=0.95, ok=lambda s: s.first == "cloud"
    )
    assert (bar.count, bar.value, bar.word, len(bar.misses)) == (3, 2 / 3, "FALLS SHORT", 1)
    assert "wren-haze 0" in bar.misses[0]
    whole = night_bar("told", [night], 1.0, lambda _: "")
    assert (whole.value, whole.word) == (1.0, "pass")
    assert Bar("nothing", 0, 1.0, 0.95).word == "nothing to judge"


def test_what_must_not_be_kept_depends_on_history(scripts: dict[str, Script]) -> None:
    """Guards the truth: a slight defocus and haze are only known by other nights, e 0.45 alone."""
    label = _plan(scripts["wren-haze"]).labels[0]
    haze, slight, wide = (_night(scripts[f"wren-{kind}"], SINGLE, []) for kind in
                          ("haze", "defocus-1.6", "defocus-2.6"))  # fmt: skip
    night_and_label = [(haze, label), (slight, replace(label, defocus=1.6)),
                       (wide, replace(label, defocus=2.6))]  # fmt: skip
    assert [must(*both, with_history=False) for both in night_and_label] == [False, False, True]
    assert [must(*both, with_history=True) for both in night_and_label] == [True] * 3
    trail = _night(scripts["wren-trail-0.47"], SINGLE, [])
    assert [must(trail, replace(label, eccentricity=e), with_history=True) for e in (0.44, 0.46)] \
        == [False, True]  # fmt: skip


def test_numbers_differ_by_a_share_of_a_billionth() -> None:
    """Guards the test of order: equal to 1e-9, whatever is nested; words to the letter."""
    one = {"a": [1.0, {"b": 3.0}], "c": "x", "d": None}
    assert not list(_differences(one, {"a": [1.0 + 1e-12, {"b": 3.0}], "c": "x", "d": None}, ""))
    other = {"a": [1.0 + 1e-8, {"b": None}], "c": "y", "d": None}
    assert len(list(_differences(one, other, ""))) == 3


def test_an_event_is_found_by_its_kind(scripts: dict[str, Script]) -> None:
    """Guards the reading of events: told() picks kinds, and says them whole."""
    event = Event("dew", 3, 9, "halos", 0.0)
    night = replace(_night(scripts["wren-haze"], SINGLE, []), events=[event])
    assert night.told("dew", "cloud") == [event]
    assert str(event) == "dew 3-9 (halos)"


def test_a_plain_frame_is_clean_and_a_plateau_is_not(scripts: dict[str, Script]) -> None:
    """Guards what counts as clean: half the light is not, a poor site's seeing is."""
    label: FrameLabel = _plan(scripts["wren-good-1"]).labels[0]
    assert is_clean(label)
    assert is_clean(replace(label, usual_ratio=1.6, night_ratio=1.0))
    assert not is_clean(replace(label, plateau=0.5))
