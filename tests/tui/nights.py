"""Synthesised nights written straight into a database: seeded, nothing read, nothing graded."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Engine, Integer, Table, delete, insert, select, update

from runlog.actions.settings_digest import settings_digest
from runlog.config import Settings
from runlog.core.frame import StarList
from runlog.core.pixels import Preview
from runlog.ingest.preview import make_preview
from runlog.store import models as m
from runlog.store.engine import open_engine, writing
from runlog.store.migrate import ready
from runlog.store.previews import PARTS
from runlog.store.roots import Roots, make_root

SEED = 20261016
WIDTH, HEIGHT = 960, 640
RIG = {"key": "heron", "name": "Heron 80/400 + MonoCam 4", "camera": "MonoCam 4",
       "telescope": "Heron 80/400", "focal_mm": 400.0, "pixel_um": 3.8}  # fmt: skip
PLAN = (("M 31", "L", 300.0), ("M 31", "Ha", 300.0), ("NGC 7023", "L", 300.0))
TROUBLE = {
    "cloud": ("doubtful", "stars give 62% of the light they give in this run's clear frames"),
    "soft": ("doubtful", "FWHM 3.6 px, 1.5 times this run's 2.4"),
    "trailed": ("reject", "eccentricity 0.84, this run's usual is 0.21"),
}


@dataclass(frozen=True, slots=True)
class Wish:
    """What to synthesise."""

    nights: int = 3
    frames: int = 71
    doubtful: int = 12
    rejected: int = 3
    exposure_s: float = 300.0
    pictures: bool = True
    folder: str = "/nowhere"
    files: bool = False  # named without pictures, too


def build(path: Path | str, wish: Wish | None = None) -> Engine:
    """Make a database with some nights in it, each settled."""
    wish = wish or Wish()
    engine = ready(open_engine(str(path)))
    random = np.random.default_rng(SEED)
    pictures = [_preview(random) for _ in range(4)] if wish.pictures else []
    with writing(engine) as connection:
        connection.execute(insert(m.rig).values(**RIG, id=1))
        for number in range(wish.nights):
            rows = list(_night(number, wish, random))
            connection.execute(insert(m.run).values(_run_row(number)))
            for start in range(0, len(rows), 5_000):
                connection.execute(insert(m.frame), rows[start : start + 5_000])
            connection.execute(insert(m.run_sum), list(_sums(number + 1, rows)))
            if pictures:
                _put_pictures(connection, rows, pictures)
            if pictures or wish.files:
                _put_files(connection, rows, wish.folder)
    return engine


def evening(number: int) -> datetime:
    """Noon of the evening of a night, a week apart."""
    return datetime(2026, 10, 2, 12, tzinfo=UTC) + timedelta(days=7 * number)


def _run_row(number: int) -> dict[str, Any]:
    night = evening(number).date().isoformat()
    return _filled(m.run, {"id": number + 1, "night": night, "rig_id": 1, "revision": 1,
                           "settled_revision": 1,
                           "policy": settings_digest(Settings())})  # fmt: skip


def _night(number: int, wish: Wish, random: np.random.Generator) -> Iterator[dict[str, Any]]:
    start = evening(number) + timedelta(hours=7)
    faults = _faults(wish)
    for i in range(wish.frames):
        target, name, length = PLAN[i * len(PLAN) // wish.frames]
        moment = start + timedelta(seconds=i * (wish.exposure_s + 15))
        row = _frame(number, i, wish, faults.get(i), random)
        yield row | {
            "taken_at_utc": moment,
            "exposure_s": wish.exposure_s or length,
            "target": target,
            "target_raw": target,
            "filter": name,
        }


def _faults(wish: Wish) -> dict[int, str]:
    """Spread trouble over the night: half of it one long cloud, so that runs of it exist."""
    if not wish.frames:
        return {}
    cloudy, soft = wish.doubtful // 2, wish.doubtful - wish.doubtful // 2
    found = {wish.frames // 4 + i: "cloud" for i in range(cloudy)}
    found |= {wish.frames // 2 + 2 * i: "soft" for i in range(soft)}
    found |= {wish.frames - 2 - i: "trailed" for i in range(wish.rejected)}
    return found


def _frame(
    number: int, i: int, wish: Wish, fault: str | None, random: np.random.Generator
) -> dict[str, Any]:
    grade, evidence = TROUBLE[fault] if fault else ("keep", "")
    wide = {"soft": 1.5, "trailed": 1.3}.get(fault or "", 1.0)
    dim = 0.62 if fault == "cloud" else 1.0
    fwhm = float(2.4 * wide + 0.05 * random.standard_normal())
    return _filled(
        m.frame,
        {
            "content_key": f"{number:08x}{i:024x}",
            "run_id": number + 1,
            "counted": True,
            "kind": "light",
            "header_kind": "light",
            "stage": "raw",
            "camera_key": "monocam4",
            "width": WIDTH,
            "height": HEIGHT,
            "planes": 1,
            "bitpix": 16,
            "binning_x": 1,
            "binning_y": 1,
            "pixel_um": 3.8,
            "focal_mm": 400.0,
            "measured_with": 1,
            "stars": round(420 * dim),
            "fwhm_px": round(fwhm, 3),
            "eccentricity": 0.84 if fault == "trailed" else round(0.2 + 0.01 * (i % 5), 3),
            "alignment": 0.9 if fault == "trailed" else 0.1,
            "hfr_px": round(fwhm * 0.6, 3),
            "background_adu": round(900 - 140 * i / wish.frames, 1),
            "noise_adu": 14.0,
            "ranked_flux_adu": round(30_000 * dim),
            "clipped_stars": 3,
            "airmass": round(1.6 - 0.4 * i / wish.frames, 3),
            "focus_pos": 11_400.0 - 40 * (4 * i // wish.frames),
            "focus_c": round(9.0 - 3.5 * i / wish.frames, 2),
            "sensor_c": -10.0,
            "set_c": -10.0,
            "streaks": [[10.0, 20.0, 900.0, 610.0]] if i % 20 == 3 else [],
            "field": {
                "zones": [_zone(fault, z) for z in range(9)],
                "tilt": 0.02,
                "curvature": 0.03,
                "worst_eccentricity": 0.3,
            },
            "notes": [],
            "auto_grade": grade,
            "grade": grade,
            "graded_by": "auto",
            "faults": [{"name": fault, "grade": grade, "evidence": evidence}] if fault else [],
            "header_questions": [],
            "run_questions": [],
        },
    )


def _zone(fault: str | None, zone: int) -> dict[str, Any]:
    stretch = 0.84 if fault == "trailed" else 0.2 + 0.02 * zone
    return {"stars": 40, "fwhm_px": 2.3 + 0.05 * zone, "eccentricity": stretch,
            "elongation_deg": 20.0 * zone}  # fmt: skip


def _filled(table: Table, values: dict[str, Any]) -> dict[str, Any]:
    """Give every column that must have a value an empty one of its type."""
    row: dict[str, Any] = {c.name: None for c in table.columns if not c.primary_key}
    for column in table.columns:
        if not column.nullable and not column.primary_key:
            row[column.name] = 0 if isinstance(column.type, Integer) else ""
    return row | values


def _sums(run_id: int, rows: Sequence[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    names = {"keep": "kept_s", "doubtful": "doubtful_s", "reject": "rejected_s"}
    for target, name in dict.fromkeys((r["target"], r["filter"]) for r in rows):
        own = [r for r in rows if (r["target"], r["filter"]) == (target, name)]
        found = {"logged_s": sum(r["exposure_s"] for r in own), "ungraded_s": 0.0}
        for grade, column in names.items():
            found[column] = float(sum(r["exposure_s"] for r in own if r["grade"] == grade))
        lacking = {"lack_gain": 0, "lack_zero": 0, "lack_stars": 0, "lack_whole": 0}
        names_of = {"run_id": run_id, "target": target, "filter": name}
        yield {**names_of, "frames": len(own), **found, **lacking}


def with_sweep(engine: Engine, night: int, middle: float, filter_name: str = "L") -> None:
    """Take seven focus frames at the start of a night: a hyperbola 1.9 px deep about a position."""
    random = np.random.default_rng(SEED + night)
    rows = []
    for i in range(7):
        place = middle + 30.0 * (i - 3)
        width = 1.9 * np.hypot(1.0, (place - middle) / 40.0) * (1 + 0.01 * random.standard_normal())
        row = _frame(night, 0, Wish(frames=1), None, random)
        rows.append(row | {
            "content_key": f"focus{night:03x}{i:024x}", "kind": "focus", "header_kind": "focus",
            "counted": False, "taken_at_utc": evening(night) + timedelta(hours=6, seconds=20 * i),
            "exposure_s": 5.0, "target": "", "target_raw": "", "filter": filter_name,
            "focus_pos": place, "focus_c": 12.0 - night, "fwhm_px": float(width),
            "fwhm_px_err": 0.02 * float(width), "hfr_px": 0.6 * float(width), "grade": "ungraded",
            "auto_grade": "ungraded",
        })  # fmt: skip
    with writing(engine) as connection:
        connection.execute(insert(m.frame), rows)


# --- pictures and files ---------------------------------------------------------------------


def sky(random: np.random.Generator) -> tuple[np.ndarray[Any, Any], StarList]:
    """Draw a small frame: a nebula, stars, noise."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    image = 900 + 120 * np.exp(-(((x - 500) / 260) ** 2 + ((y - 300) / 120) ** 2))
    image += 12 * random.standard_normal(image.shape)
    places = random.uniform((20, 20), (WIDTH - 20, HEIGHT - 20), (150, 2))
    fluxes = np.sort(random.pareto(1.2, 150) * 4000 + 2000)[::-1]
    for (star_x, star_y), flux in zip(places, fluxes, strict=True):
        left, low = int(star_x) - 8, int(star_y) - 8
        patch = (slice(low, low + 17), slice(left, left + 17))
        r2 = (x[patch] - star_x) ** 2 + (y[patch] - star_y) ** 2
        image[patch] += flux / 6.5 * np.exp(-r2 / 2.1)
    stars = StarList(tuple(places[:, 0]), tuple(places[:, 1]), tuple(fluxes))
    return np.clip(image, 0, 65535).astype(np.uint16), stars


def _preview(random: np.random.Generator) -> tuple[Preview, bytes]:
    image, stars = sky(random)
    triples = np.column_stack([stars.x, stars.y, stars.flux_adu]).astype("<f4")
    return make_preview(image, stars), triples.tobytes()


def _put_pictures(
    connection: Any, rows: Sequence[dict[str, Any]], pictures: Sequence[tuple[Preview, bytes]]
) -> None:
    ids = _ids(connection, rows)
    previews, stars = [], []
    for i, frame_id in enumerate(ids):
        preview, triples = pictures[i % len(pictures)]
        values: dict[str, Any] = {"frame_id": frame_id, "shrink": preview.shrink,
                                  "corners": [list(c) for c in preview.corners]}  # fmt: skip
        for part in PARTS:
            small = getattr(preview, part)
            for name in type(small).__dataclass_fields__:
                values[f"{part}_{name}"] = getattr(small, name)
        previews.append(values)
        stars.append({"frame_id": frame_id, "stars": triples})
    connection.execute(insert(m.preview), previews)
    connection.execute(insert(m.star_list), stars)


def _ids(connection: Any, rows: Sequence[dict[str, Any]]) -> list[int]:
    query = m.frame.select().with_only_columns(m.frame.c.id)
    run_id = rows[0]["run_id"]
    return list(
        connection.execute(query.where(m.frame.c.run_id == run_id).order_by(m.frame.c.id)).scalars()
    )


def _put_files(connection: Any, rows: Sequence[dict[str, Any]], folder: str) -> None:
    now = datetime(2026, 10, 17, 6, tzinfo=UTC)
    roots = Roots.load(connection)
    known = roots.over(folder.encode())
    root_id = known.id if known else make_root(connection, folder.encode(), roots)
    headers, files = [], []
    for frame_id, row in zip(_ids(connection, rows), rows, strict=True):
        header = {"frame_id": frame_id, "digest": row["content_key"], "stage": "raw",
                  "card_count": 0, "cards": b"", "speaks": True}  # fmt: skip
        headers.append(_filled(m.header, header))
    connection.execute(insert(m.header), headers)
    h = m.header.c
    own = select(h.digest, h.id).where(h.frame_id.in_([header["frame_id"] for header in headers]))
    known_by = {row.digest: row.id for row in connection.execute(own)}
    for row in rows:
        path = f"{row['content_key']}.fits".encode()
        file = {"root_id": root_id, "path": path, "size": 1, "mtime_ns": 1,
                "header_id": known_by[row["content_key"]], "error": None, "missing": False,
                "read_at_utc": now}  # fmt: skip
        files.append(_filled(m.file, file))
    connection.execute(insert(m.file), files)


# --- a mosaic and a dual-band filter --------------------------------------------------------


def with_mosaic(engine: Engine) -> None:
    """Turn NGC 7023 into a mosaic of three, and every other Ha frame of M 31 into a dual-band one.

    Panel 1 is never shot through OIII, so the mosaic stands at nothing there.
    """
    f = m.frame.c
    with writing(engine) as connection:
        for row in connection.execute(select(f.id, f.target, f.filter)).all():
            values = {"filter": "Duo"} if row.filter == "Ha" and row.id % 2 else {}
            if row.target == "NGC 7023":
                values = {"target": f"NGC 7023 panel {1 + row.id % 3}"}
                values |= {"filter": "OIII"} if row.id % 3 and not row.id % 5 else {}
            if values:
                connection.execute(update(m.frame).where(f.id == row.id).values(values))
        _sum_again(connection)


def _sum_again(connection: Any) -> None:
    for table in (m.run_sum, m.run_light, m.run_depth):
        connection.execute(delete(table))
    f = m.frame.c
    for run_id in connection.execute(select(m.run.c.id)).scalars().all():
        query = select(m.frame).where(f.run_id == run_id).order_by(f.id)
        rows = [dict(row._mapping) for row in connection.execute(query)]
        for sums in _sums(run_id, rows):
            connection.execute(insert(m.run_sum).values(sums))
            connection.execute(insert(m.run_light).values(_three_quarters(sums)))
        for name in {row["filter"] for row in rows}:
            ones = {"frames": 9, "moonless": True, "point_s_e2": 1.0, "extended_s_arcsec2_e2": 1.0}
            connection.execute(insert(m.run_depth).values(run_id=run_id, filter=name, **ones))


def _three_quarters(sums: dict[str, Any]) -> dict[str, Any]:
    """Let what is kept be worth three quarters of its length."""
    kept_s = sums["kept_s"]
    return {name: sums[name] for name in ("run_id", "target", "filter")} | {
        "base": "b" * 32,
        "light2_e2_adu2": 1.0,
        "kept_frames": int(kept_s > 0),
        "kept_known_s": kept_s,
        "kept_light_s_e2_adu2": kept_s,
        "kept_point_s2_adu2": 0.75 * kept_s,
        "kept_extended_s2_arcsec2_adu2": 0.75 * kept_s,
    }


# --- a second rig ---------------------------------------------------------------------------


def with_second_rig(engine: Engine) -> None:
    """Let the second night be that of another rig."""
    other = RIG | {"key": "wren", "name": "Wren 60/360 + MonoCam 4", "telescope": "Wren 60/360"}
    with writing(engine) as connection:
        connection.execute(insert(m.rig).values(**other, id=2))
        connection.execute(update(m.run).where(m.run.c.id == 2).values(rig_id=2))
