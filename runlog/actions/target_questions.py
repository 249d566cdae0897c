"""What is doubtful about targets' names, asked in words with the command that settles it."""

from collections.abc import Mapping, Sequence
from itertools import combinations

from runlog.actions.interpret import field_of_view_deg
from runlog.core.corrections.in_force import TargetChanges, spelling_key
from runlog.core.escape import for_shell
from runlog.core.targets.catalogue.nicknames import nickname_key
from runlog.core.targets.edit_distance import differ_by_number
from runlog.core.targets.names import NO_TARGET, PART_OF_FIELD, USUAL_FIELD_DEG, How, TargetNames
from runlog.core.targets.places import apart_deg, written_place
from runlog.core.targets.pointings import Pointing, distance_deg, farthest_deg, places_of
from runlog.core.targets.sequence_words import split_panel, without_settings
from runlog.store.targets import Spelled

Groups = Mapping[str, Sequence[Spelled]]
Asked = dict[str, list[str]]
FAR_DEG = 1.0  # beyond the field: no framing explains that
FAR_PANEL_DEG = 5.0  # no mosaic is as wide


def questions_about(
    groups: Groups, changes: TargetChanges, names: TargetNames, naming: Sequence[str] = ()
) -> Asked:
    """Ask about every target whose name, spelling or place leaves a doubt.

    `naming` are the commands for frames without a name.
    """
    asked: Asked = {name: [] for name in groups}
    settled = {*changes.apart, *changes.apart.values()}
    mosaics = {base for base, panel in map(split_panel, groups) if panel is not None}
    for name, rows in groups.items():
        if name == NO_TARGET:
            asked[name].append(_about_no_name(rows, naming))
            continue
        asked[name] += _about_spellings(name, rows, settled, names)
        if name in settled:
            continue
        asked[name] += _about_places(name, rows, names, has_panels=name in mosaics)
    open_names = [name for name in groups if name not in settled and name != NO_TARGET]
    _about_pairs(open_names, groups, asked, names)
    return {name: questions for name, questions in asked.items() if questions}


def _about_no_name(rows: Sequence[Spelled], naming: Sequence[str]) -> str:
    frames = sum(r.frames for r in rows)
    joined = ", or ".join(naming).replace(", or and ", ", and ")
    have = "frame has" if frames == 1 else "frames have"
    return f"{frames} {have} neither a name nor coordinates: {joined}"


def _about_spellings(
    name: str, rows: Sequence[Spelled], settled: set[str], names: TargetNames
) -> list[str]:
    asked = []
    for raw in sorted({r.target_raw for r in rows if not r.corrected}, key=str):
        folded = names.fold(raw)
        if spelling_key(raw) in settled or name in settled:
            continue
        if folded.how is How.TYPO:
            asked.append(
                f'"{raw}" was read as {folded.name}. If it is not: '
                f"runlog targets split {for_shell(raw or '')} NAME"
            )
        elif folded.name == name and folded.how is How.AS_WRITTEN and folded.perhaps:
            asked.append(_perhaps(name, folded.perhaps))
    silent = all(names.fold(r.target_raw).how is How.NOTHING for r in rows)
    if not asked and name.startswith("J") and silent:
        asked += _about_place_name(name, rows, names)
    return asked


def _perhaps(name: str, others: Sequence[str]) -> str:
    return (
        f"Is it {' or '.join(others)}? "
        f"runlog targets merge {for_shell(name)} {for_shell(others[0])}, "
        f"or if it is its own: runlog targets keep {for_shell(name)}"
    )


def _about_place_name(name: str, rows: Sequence[Spelled], names: TargetNames) -> list[str]:
    row = rows[0]
    if row.ra_deg is None or row.dec_deg is None:
        return []
    near = names.at(row.ra_deg, row.dec_deg, _field_deg(rows)).perhaps
    if not near:
        return [f"The headers name no target here: runlog targets rename {for_shell(name)} NAME"]
    return [
        f"The headers name no target here; {', '.join(near)} lie in the field: "
        f"runlog targets merge {for_shell(name)} {for_shell(near[0])}"
    ]


# --- places ---------------------------------------------------------------------------------


def _field_deg(rows: Sequence[Spelled]) -> float:
    fields = [field_of_view_deg(r.width, r.height, r.arcsec_per_px) for r in rows]
    return min((f for f in fields if f), default=USUAL_FIELD_DEG)


def _pointings(rows: Sequence[Spelled]) -> list[Pointing]:
    return [
        Pointing(r.ra_deg, r.dec_deg, r.frames)
        for r in rows
        if r.ra_deg is not None and r.dec_deg is not None
    ]


def _about_places(
    name: str, rows: Sequence[Spelled], names: TargetNames, *, has_panels: bool
) -> list[str]:
    pointings = _pointings(rows)
    if not pointings or name == NO_TARGET:
        return []
    field_deg = _field_deg(rows)
    places = places_of(pointings, field_deg)
    asked = []
    if len(places) > 1 and split_panel(name)[1] is None:
        asked.append(
            f"Its frames point at {len(places)} places, {farthest_deg(places):.1f} degrees apart. "
            "Panels of a mosaic? "
            f'runlog correct target {for_shell(f"{name} panel 2")} --near "RA DEC"'
        )
    off = _off_its_place(name, rows, names)
    if off is not None and off > 0:
        asked.append(
            f"Its frames point {off:.0f} degrees away from {split_panel(name)[0]}. A wrong name? "
            f"runlog correct target NAME --target {for_shell(name)}"
            f"{_not_its_panels(rows, has_panels)}"
        )
    return asked


def _not_its_panels(rows: Sequence[Spelled], has_panels: bool) -> str:
    """Keep a command to where these frames point: a mosaic's name means its panels as well."""
    spot = _spot(rows) if has_panels else None
    return f' --near "{written_place(spot[0].ra_deg, spot[0].dec_deg)}"' if spot else ""


def _off_its_place(name: str, rows: Sequence[Spelled], names: TargetNames) -> float | None:
    """Give how far frames point from the object they name; 0 when near, None when not known."""
    base, panel = split_panel(name)
    known, spot = names.catalogue.place(base), _spot(rows)
    if known is None or spot is None:
        return None
    off = apart_deg(known.ra_deg, known.dec_deg, spot[0].ra_deg, spot[0].dec_deg)
    far = FAR_DEG if panel is None else FAR_PANEL_DEG
    return off if off > far + spot[1] + (known.size_arcmin or 0.0) / 60 else 0.0


# --- pairs ----------------------------------------------------------------------------------


def _about_pairs(
    open_names: Sequence[str], groups: Groups, asked: Asked, names: TargetNames
) -> None:
    by_key: dict[str, list[str]] = {}
    for name in open_names:
        by_key.setdefault(nickname_key(" ".join(without_settings(name))), []).append(name)
    for alike in by_key.values():
        for pair in combinations(sorted(alike), 2):
            same_panel = split_panel(pair[0])[1] == split_panel(pair[1])[1]
            if same_panel and not differ_by_number(*pair):
                lesser, better = _ranked(pair, groups, names)
                asked[lesser].append(
                    f"Another spelling of {better}? "
                    f"runlog targets merge {for_shell(lesser)} {for_shell(better)}"
                )
    # One that points away from the object it names has a question of its own.
    spots = {n: _spot(groups[n]) for n in open_names if not _off_its_place(n, groups[n], names)}
    for pair in combinations(sorted(n for n in spots if spots[n]), 2):
        if _one_mosaic(pair) or differ_by_number(*pair):
            continue
        if not _one_place(*(spots[n] for n in pair)):
            continue
        lesser, better = _ranked(pair, groups, names)
        if for_shell(better) not in " ".join(asked[lesser]):
            asked[lesser].append(
                f"It points where {better} does. The same? "
                f"runlog targets merge {for_shell(lesser)} {for_shell(better)}, "
                f"or if not: runlog targets keep {for_shell(lesser)}"
            )


Spot = tuple[Pointing, float]  # where most frames point, and the field's shorter side


def _spot(rows: Sequence[Spelled]) -> Spot | None:
    pointings = _pointings(rows)
    field_deg = _field_deg(rows)
    return (places_of(pointings, field_deg)[0], field_deg) if pointings else None


def _one_place(a: Spot | None, b: Spot | None) -> bool:
    if a is None or b is None:
        return False
    return distance_deg(a[0], b[0]) <= PART_OF_FIELD * min(a[1], b[1])


def _one_mosaic(pair: tuple[str, str]) -> bool:
    return split_panel(pair[0])[0] == split_panel(pair[1])[0]


def _ranked(pair: tuple[str, str], groups: Groups, names: TargetNames) -> tuple[str, str]:
    """Order two targets: the one to give up its name first, the better known last."""

    def standing(name: str) -> tuple[bool, bool, int, str]:
        off = _off_its_place(name, groups[name], names)
        return (off == 0, off is not None, sum(r.frames for r in groups[name]), name)

    lesser, better = sorted(pair, key=standing)
    return lesser, better
