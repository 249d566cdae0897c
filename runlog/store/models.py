"""The tables, and nothing else. Rows become frozen dataclasses in the query modules."""

from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    UniqueConstraint,
    text,
    true,
)

from runlog.store.mapping import Utc, table_columns

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}
metadata = MetaData(naming_convention=NAMING)


def _floats(*names: str) -> list[Column[Any]]:
    return [Column(name, Float) for name in names]


rig = Table(
    "rig",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("key", String, nullable=False, unique=True),
    Column("name", String, nullable=False),
    Column("camera", String),
    Column("telescope", String),
    *_floats("focal_mm", "pixel_um"),
)

# What the frames of a rig are graded by; appended, never changed: the last one is in force.
rig_settings = Table(
    "rig_settings",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("rig_id", Integer, ForeignKey("rig.id"), nullable=False, index=True),
    Column("says", JSON, nullable=False),  # sections of the config file
    Column("who", String, nullable=False),
    Column("at_utc", Utc, nullable=False),
)

# Who shares a database on a server: logins of that server, and the rigs they keep. Rights are the
# server's own (store/permits.py); these rows say which, so that they can be given again.
member = Table(
    "member",
    metadata,
    Column("login", String, primary_key=True),
    Column("role", String, nullable=False),  # reader, observer, keeper
    Column("who", String, nullable=False),
    Column("at_utc", Utc, nullable=False),
)
rig_member = Table(
    "rig_member",
    metadata,
    Column("rig_id", Integer, ForeignKey("rig.id"), primary_key=True),
    Column("login", String, primary_key=True),
)

# A run is dirty while its revision is ahead of the one it was settled at. Where it is also the one
# that it heard another night at, its frames and marks stand: it is to be graded, and no more.
run = Table(
    "run",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("night", String(10), nullable=False),  # ISO date of the evening; "" when undated
    Column("rig_id", Integer, ForeignKey("rig.id"), nullable=False),
    Column("revision", Integer, nullable=False, default=0),
    Column("settled_revision", Integer, nullable=False, default=-1),
    Column("heard_revision", Integer, nullable=False, default=-1),
    Column("policy", String(32), nullable=False, default=""),  # what it was settled by
    Column("zeros", String, nullable=False, default=""),  # levels of its bias and dark frames
    Column("depth_form", String, nullable=False, default="point"),  # of its effective time
    Column("shown", String(32), nullable=False, default=""),  # digest of what other runs look at
    Column("asking", Integer, nullable=False, default=0),  # frames whose header leaves a doubt
    UniqueConstraint("night", "rig_id"),
)

# Keys, and what hangs on them; every other column follows from the parts of `Frame`.
_KEYS: dict[str, Column[Any]] = {
    "id": Column("id", Integer, primary_key=True),
    "content_key": Column("content_key", String(32), nullable=False, unique=True),
    "run_id": Column("run_id", Integer, ForeignKey("run.id"), nullable=False),
    "matched_to": Column("matched_to", String(32)),
    "matched_past": Column("matched_past", String(16)),
    "best_of_name": Column("best_of_name", String(32)),
}
frame = Table(
    "frame",
    metadata,
    *[_KEYS.get(column.name, column) for column in table_columns()],
)


def _index(name: str, *columns: str, where: str | None = None) -> Index:
    kinds = ("sqlite", "postgresql")
    only: dict[str, Any] = {f"{kind}_where": text(where) for kind in kinds if where}
    return Index(f"ix_frame_{name}", *(frame.c[column] for column in columns), **only)


# Rows of frames are long: what is asked of all of them is answered by the index alone.
_index("run", "run_id", "night_from")
_index(
    "target",
    *("target", "filter", "target_raw", "width", "height", "kind", "counted"),
    *("ra_deg", "dec_deg", "exposure_s", "arcsec_per_px"),
)
_index("start", "taken_at_utc", "counted", "header_kind", "exposure_s", "camera_key")
_index(
    "camera",
    *("camera_key", "kind", "counted", "binning_x", "binning_y", "width", "height", "run_id"),
)
_index("measured_with", "measured_with", "header_kind")
_index("matched_to", "matched_to", "run_id")
# Those few of which something is known that most have not.
_index("corrected", "run_id", where="corrected IS NOT NULL")
_index("lines", "run_id", where="streaks_seen IS NOT NULL")
_index("unlooked", "header_kind", where="level IS NOT NULL AND signs IS NULL")

# Time order; what has no date comes first, on every kind of database.
IN_TIME = (frame.c.taken_at_utc.nulls_first(), frame.c.content_key)

star_list = Table(
    "star_list",
    metadata,
    Column("frame_id", Integer, ForeignKey("frame.id"), primary_key=True),
    Column("stars", LargeBinary, nullable=False),  # float32 triples x, y, flux
)

# What the eye gets at once, also when the file is away; apart, so that listings stay quick.
preview = Table(
    "preview",
    metadata,
    Column("frame_id", Integer, ForeignKey("frame.id"), primary_key=True),
    Column("shrink", Integer, nullable=False),
    Column("corners", JSON, nullable=False),
    *[
        Column(f"{part}_{name}", kind, nullable=False)
        for part in ("image", "cutouts")
        for name, kind in (
            ("width", Integer),
            ("height", Integer),
            ("zero_adu", Float),
            ("soft_adu", Float),
            ("levels", Float),
            ("packed", LargeBinary),
        )
    ],
)

header = Table(
    "header",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("frame_id", Integer, ForeignKey("frame.id"), nullable=False),
    Column("digest", String(32), nullable=False),
    Column("stage", String, nullable=False),
    Column("card_count", Integer, nullable=False),
    Column("cards", LargeBinary, nullable=False),  # zlib of JSON
    Column("speaks", Boolean, nullable=False),
    UniqueConstraint("frame_id", "digest"),
)

# Folders that files lie below: named, as each machine may have them at another place.
root = Table(
    "root",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", String, nullable=False, unique=True),
    # Where it was first: names of folders tell kinds of frames, and must not change with a machine.
    Column("origin", LargeBinary, nullable=False),
    Column("login", String, nullable=False),  # of whoever made it; empty in a file
)

# Where a root is on one machine, as a login of a server has it there; in a file all are one.
mount = Table(
    "mount",
    metadata,
    Column("root_id", Integer, ForeignKey("root.id"), primary_key=True),
    Column("machine", String, primary_key=True),
    Column("login", String, primary_key=True),  # empty in a file, and in what came from one
    Column("path", LargeBinary, nullable=False),
    Column("missing", Boolean, nullable=False),  # nothing of it was there when it was looked at
    # Null where only single files of it were named: a plain "scan" does not look there.
    Column("scanned_at_utc", Utc),
)

file = Table(
    "file",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("root_id", Integer, ForeignKey("root.id"), nullable=False),
    Column("path", LargeBinary, nullable=False),  # below the folder of its root
    Column("size", BigInteger, nullable=False),
    Column("mtime_ns", BigInteger, nullable=False),
    Column("header_id", Integer, ForeignKey("header.id"), index=True),
    Column("error", String),
    Column("missing", Boolean, nullable=False),  # gone from a root that was there
    Column("read_at_utc", Utc, nullable=False),
    UniqueConstraint("root_id", "path"),
)

mark = Table(
    "mark",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("frame_id", Integer, ForeignKey("frame.id"), nullable=False, index=True),
    Column("grade", String, nullable=False),  # keep, doubtful, reject, or auto to take it back
    Column("note", String),
    Column("who", String, nullable=False),
    Column("at_utc", Utc, nullable=False),
    Column("undoes", Integer, ForeignKey("mark.id")),
    # Made by one who keeps the rig; what others say of a frame is a note beside its grade.
    Column("decides", Boolean, nullable=False, default=True, server_default=true()),
)
Index(
    "ix_mark_noted",
    mark.c.frame_id,
    sqlite_where=text("decides = 0"),  # as it is asked there, else it is not used
    postgresql_where=text("NOT decides"),
)

goal = Table(
    "goal",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("target", String, nullable=False),
    Column("filter", String, nullable=False),
    Column("form", String, nullable=False),  # hours, ratio of another filter, gain in S/N
    Column("value", Float, nullable=False),  # 0 takes the goal away
    Column("of_filter", String),  # what a ratio is of
    Column("base_s", Float),  # what there was when a gain was asked for
    Column("base_from", String),  # effective or kept time
    Column("priority", Integer, nullable=False),  # 1 is first
    Column("count_doubtful", Boolean),  # null: as the config says
    Column("who", String, nullable=False),
    Column("at_utc", Utc, nullable=False),
    Column("owner", String),  # the login whose own goal it is; null: of all who share the database
    Index("ix_goal_target_filter", "target", "filter"),
)

# What a person says instead of a header, for the frames chosen then; appended, never changed.
correction = Table(
    "correction",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("field", String, nullable=False),
    Column("value", String, nullable=False),
    Column("selection", String, nullable=False),  # in words
    Column("frames", Integer, nullable=False),
    Column("who", String, nullable=False),
    Column("at_utc", Utc, nullable=False),
    Column("undoes", Integer, ForeignKey("correction.id")),
)

# By content key and not by frame: a correction outlives the frame's row.
correction_frame = Table(
    "correction_frame",
    metadata,
    Column("content_key", String(32), primary_key=True),
    Column("correction_id", Integer, ForeignKey("correction.id"), primary_key=True),
)

# Names merged, renamed and kept apart; appended, never changed.
target_change = Table(
    "target_change",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("action", String, nullable=False),  # merge, rename, split, undo
    Column("subject", String, nullable=False),
    Column("object", String, nullable=False),
    Column("who", String, nullable=False),
    Column("at_utc", Utc, nullable=False),
    Column("undoes", Integer, ForeignKey("target_change.id")),
)

# What a run says to the rig's other nights, of its own frames alone: see core/grading/summary.py.
run_summary = Table(
    "run_summary",
    metadata,
    Column("run_id", Integer, ForeignKey("run.id"), primary_key=True),
    Column("filter", String, primary_key=True),
    Column("setting", String, primary_key=True),  # binning, gain, offset, read-out mode, in words
    Column("measured_with", Integer, nullable=False),
    Column("frames", Integer, nullable=False),
    Column("usable", Integer, nullable=False),
    *_floats("fwhm_px", "fwhm_floor_px", "profile", "sky_adu_s"),
    *_floats("exposure_s", "noise_adu", "hot_pixels_ppm", "overhead_s"),
    Column("elongations", JSON, nullable=False),  # by side of the pier
    Column("lights", JSON, nullable=False),  # by the reference of a field
)

# What was changed on a rig, and remarks; appended, never changed.
rig_note = Table(
    "rig_note",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("rig_id", Integer, ForeignKey("rig.id"), nullable=False, index=True),
    Column("night", String(10), nullable=False),  # ISO date of the evening
    Column("text", String, nullable=False),
    Column("changed", Boolean, nullable=False),  # from this night on the rig is another
    Column("who", String, nullable=False),
    Column("at_utc", Utc, nullable=False),
    Column("undoes", Integer, ForeignKey("rig_note.id")),
)

# What a run was worth before its grades or hours were to change, until that is told.
run_before = Table(
    "run_before",
    metadata,
    Column("run_id", Integer, ForeignKey("run.id"), primary_key=True),
    Column("grades", JSON, nullable=False),  # numbers of counted lights by their grade
    Column("kept_s", Float, nullable=False),
    Column("effective_s", Float),
    Column("by_one_frame", Boolean, nullable=False),  # hours by a frozen reference, as they were
)

# What a run's frames of one camera and size have in common about their rows and columns.
run_rows = Table(
    "run_rows",
    metadata,
    Column("run_id", Integer, ForeignKey("run.id"), primary_key=True),
    Column("camera_key", String, primary_key=True, index=True),
    Column("binning_x", Integer, primary_key=True),
    Column("binning_y", Integer, primary_key=True),
    Column("width", Integer, primary_key=True),
    Column("height", Integer, primary_key=True),
    Column("source", String, primary_key=True),  # stage of light frames, or "dark"
    Column("frames", Integer, nullable=False),
    Column("rows", JSON, nullable=False),  # [[row, jump in units of the noise, what changes]]
    Column("columns", JSON, nullable=False),
)

# What width and sky of a run were worth in a filter: references of effective time come from it.
run_depth = Table(
    "run_depth",
    metadata,
    Column("run_id", Integer, ForeignKey("run.id"), primary_key=True),
    Column("filter", String, primary_key=True),
    Column("frames", Integer, nullable=False),
    Column("moonless", Boolean),  # null: nothing is known of the Moon
    Column("point_s_e2", Float, nullable=False),  # 1 / (FWHM^2 v)
    Column("extended_s_arcsec2_e2", Float, nullable=False),  # 1 / v
)

# What Sun and Moon did in the night of a run, seen from where its lights were taken.
run_sky = Table(
    "run_sky",
    metadata,
    Column("run_id", Integer, ForeignKey("run.id"), primary_key=True),
    *[
        Column(name, Float, nullable=False)
        for name in ("latitude_deg", "longitude_deg", "elevation_m")
    ],
    Column("dark_start_utc", Utc),  # null: the Sun was never 18 degrees down
    Column("dark_end_utc", Utc),
    Column("moon", JSON, nullable=False),  # [[seconds since 1970, whether it rises]]
)

# What a run says to months of its rig: made when it is settled, so that a year is read at once.
run_series = Table(
    "run_series",
    metadata,
    Column("run_id", Integer, ForeignKey("run.id"), primary_key=True),
    Column("points", JSON, nullable=False),  # [[series, filter, setting, version, number or why]]
    Column("darks", JSON, nullable=False),  # [[setting, length and temperature, s, ADU]]
    Column("sweeps", JSON, nullable=False),  # those that found the focus, as FoundFocus
    Column("swept", String, nullable=False),  # digest of the frames these are of
)

# The dust of a run's flats, laid on other pictures: kept, so that no pair is compared twice.
run_dust = Table(
    "run_dust",
    metadata,
    Column("run_id", Integer, ForeignKey("run.id"), primary_key=True),
    Column("pictures", String, primary_key=True),  # digest of those that were compared
    Column("shadows", JSON, nullable=False),  # as Shadows; null: no shadow stands out
)

# The light of a run in a target and filter, and the depth its kept frames add up to: sums that are
# divided by a reference when they are read.
run_light = Table(
    "run_light",
    metadata,
    Column("run_id", Integer, ForeignKey("run.id"), primary_key=True),
    Column("target", String, primary_key=True),
    Column("filter", String, primary_key=True),
    Column("base", String(32), primary_key=True),  # content key: in whose ADU light is counted
    Column("light2_e2_adu2", Float),  # T^2; null of fewer than five frames
    Column("kept_frames", Integer, nullable=False),
    *[
        Column(name, Float, nullable=False)
        for name in (
            "kept_known_s",
            "kept_light_s_e2_adu2",  # t T^2
            "kept_point_s2_adu2",  # t T^2 / (FWHM^2 v)
            "kept_extended_s2_arcsec2_adu2",  # t T^2 / v
        )
    ],
)

# The light of one reference in the ADU of another, once measured; null: no stars match.
light_tie = Table(
    "light_tie",
    metadata,
    Column("base", String(32), primary_key=True),
    Column("other", String(32), primary_key=True),
    Column("light", Float),
)

# What a run's lights and calibration frames were taken with: a few rows, where frames are many.
run_shots = Table(
    "run_shots",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("run_id", Integer, ForeignKey("run.id"), nullable=False, index=True),
    *[
        Column(name, String, nullable=False)
        for name in ("kind", "kind_from", "filter", "camera_key")
    ],
    Column("exposure_s", Float),
    Column("cold_c", Float),  # whole degrees the sensor was to have
    Column("gain", Float),
    Column("offset", Float),
    Column("readout_mode", String),
    *[
        Column(name, Integer, nullable=False)
        for name in ("binning_x", "binning_y", "width", "height")
    ],
    Column("rotator_deg", Float),
    Column("combined", Integer),
    *[Column(name, Integer, nullable=False) for name in ("frames", "kept", "doubtful")],
)

run_sum = Table(
    "run_sum",
    metadata,
    Column("run_id", Integer, ForeignKey("run.id"), primary_key=True),
    Column("target", String, primary_key=True),
    Column("filter", String, primary_key=True),
    Column("frames", Integer, nullable=False),
    *[
        Column(name, Float, nullable=False)
        for name in ("logged_s", "kept_s", "doubtful_s", "rejected_s", "ungraded_s")
    ],
    # Kept frames whose depth is unknown, by what it lacks.
    *[
        Column(name, Integer, nullable=False)
        for name in ("lack_gain", "lack_zero", "lack_stars", "lack_whole")
    ],
)

# What a watch said of each frame when it came; the last word is the frame's own grade.
watch_look = Table(
    "watch_look",
    metadata,
    Column("frame_id", Integer, ForeignKey("frame.id"), primary_key=True),
    Column("at_utc", Utc, nullable=False),
    Column("grade", String, nullable=False),
    Column("faults", JSON, nullable=False),
)

# How far the warnings of a run are, so that a watch that is started again warns nobody twice.
watch_state = Table(
    "watch_state",
    metadata,
    Column("run_id", Integer, ForeignKey("run.id"), primary_key=True),
    Column("says", JSON, nullable=False),
)

# What a watch told: warnings, and that it is clear again; appended, never changed.
watch_told = Table(
    "watch_told",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("run_id", Integer, ForeignKey("run.id"), index=True),  # null: of the machine, no rig
    Column("at_utc", Utc, nullable=False),
    Column("kind", String, nullable=False),
    Column("cause", String, nullable=False),
    Column("since_utc", Utc),
    Column("frames", Integer),
    Column("words", String, nullable=False),
)
