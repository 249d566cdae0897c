"""The first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "correction",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("field", sa.String(), nullable=False),
        sa.Column("value", sa.String(), nullable=False),
        sa.Column("selection", sa.String(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("at_utc", sa.DateTime(), nullable=False),
        sa.Column("undoes", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["undoes"], ["correction.id"], name=op.f("fk_correction_undoes_correction")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_correction")),
    )
    op.create_table(
        "goal",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("target", sa.String(), nullable=False),
        sa.Column("filter", sa.String(), nullable=False),
        sa.Column("form", sa.String(), nullable=False),
        sa.Column("value", sa.Float(), nullable=False),
        sa.Column("of_filter", sa.String(), nullable=True),
        sa.Column("base_s", sa.Float(), nullable=True),
        sa.Column("base_from", sa.String(), nullable=True),
        sa.Column("priority", sa.Integer(), nullable=False),
        sa.Column("count_doubtful", sa.Boolean(), nullable=True),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("at_utc", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_goal")),
    )
    with op.batch_alter_table("goal", schema=None) as batch_op:
        batch_op.create_index("ix_goal_target_filter", ["target", "filter"], unique=False)

    op.create_table(
        "rig",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("camera", sa.String(), nullable=True),
        sa.Column("telescope", sa.String(), nullable=True),
        sa.Column("focal_mm", sa.Float(), nullable=True),
        sa.Column("pixel_um", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rig")),
        sa.UniqueConstraint("key", name=op.f("uq_rig_key")),
    )
    op.create_table(
        "root",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("path", sa.LargeBinary(), nullable=False),
        sa.Column("scanned_at_utc", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_root")),
        sa.UniqueConstraint("path", name=op.f("uq_root_path")),
    )
    op.create_table(
        "target_change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("action", sa.String(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("object", sa.String(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("at_utc", sa.DateTime(), nullable=False),
        sa.Column("undoes", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["undoes"], ["target_change.id"], name=op.f("fk_target_change_undoes_target_change")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_target_change")),
    )
    op.create_table(
        "correction_frame",
        sa.Column("content_key", sa.String(length=32), nullable=False),
        sa.Column("correction_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["correction_id"],
            ["correction.id"],
            name=op.f("fk_correction_frame_correction_id_correction"),
        ),
        sa.PrimaryKeyConstraint("content_key", "correction_id", name=op.f("pk_correction_frame")),
    )
    op.create_table(
        "depth_reference",
        sa.Column("rig_id", sa.Integer(), nullable=False),
        sa.Column("target", sa.String(), nullable=False),
        sa.Column("filter", sa.String(), nullable=False),
        sa.Column("content_key", sa.String(length=32), nullable=False),
        sa.Column("fwhm_arcsec", sa.Float(), nullable=False),
        sa.Column("sky_variance", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(["rig_id"], ["rig.id"], name=op.f("fk_depth_reference_rig_id_rig")),
        sa.PrimaryKeyConstraint("rig_id", "target", "filter", name=op.f("pk_depth_reference")),
    )
    op.create_table(
        "run",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("night", sa.String(length=10), nullable=False),
        sa.Column("rig_id", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("settled_revision", sa.Integer(), nullable=False),
        sa.Column("policy", sa.String(length=32), nullable=False),
        sa.Column("zeros", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["rig_id"], ["rig.id"], name=op.f("fk_run_rig_id_rig")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_run")),
        sa.UniqueConstraint("night", "rig_id", name=op.f("uq_run_night_rig_id")),
    )
    op.create_table(
        "frame",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("content_key", sa.String(length=32), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("counted", sa.Boolean(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("kind_from", sa.String(), nullable=False),
        sa.Column("header_kind", sa.String(), nullable=False),
        sa.Column("header_kind_from", sa.String(), nullable=False),
        sa.Column("stage", sa.String(), nullable=False),
        sa.Column("camera_key", sa.String(), nullable=False),
        sa.Column("taken_at_utc", sa.DateTime(), nullable=True),
        sa.Column("time_from", sa.String(), nullable=True),
        sa.Column("night_from", sa.String(), nullable=False),
        sa.Column("exposure_s", sa.Float(), nullable=True),
        sa.Column("target", sa.String(), nullable=False),
        sa.Column("target_raw", sa.String(), nullable=True),
        sa.Column("filter", sa.String(), nullable=False),
        sa.Column("filter_raw", sa.String(), nullable=True),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("planes", sa.Integer(), nullable=False),
        sa.Column("bitpix", sa.Integer(), nullable=False),
        sa.Column("binning_x", sa.Integer(), nullable=False),
        sa.Column("binning_y", sa.Integer(), nullable=False),
        sa.Column("gain", sa.Float(), nullable=True),
        sa.Column("egain_e_adu", sa.Float(), nullable=True),
        sa.Column("offset", sa.Float(), nullable=True),
        sa.Column("read_noise_e", sa.Float(), nullable=True),
        sa.Column("pixel_um", sa.Float(), nullable=True),
        sa.Column("focal_mm", sa.Float(), nullable=True),
        sa.Column("readout_mode", sa.String(), nullable=True),
        sa.Column("sensor_c", sa.Float(), nullable=True),
        sa.Column("set_c", sa.Float(), nullable=True),
        sa.Column("focus_pos", sa.Float(), nullable=True),
        sa.Column("focus_c", sa.Float(), nullable=True),
        sa.Column("ambient_c", sa.Float(), nullable=True),
        sa.Column("ra_deg", sa.Float(), nullable=True),
        sa.Column("dec_deg", sa.Float(), nullable=True),
        sa.Column("latitude_deg", sa.Float(), nullable=True),
        sa.Column("longitude_deg", sa.Float(), nullable=True),
        sa.Column("elevation_m", sa.Float(), nullable=True),
        sa.Column("pier_side", sa.String(), nullable=True),
        sa.Column("rotator_deg", sa.Float(), nullable=True),
        sa.Column("sky_angle_deg", sa.Float(), nullable=True),
        sa.Column("header_airmass", sa.Float(), nullable=True),
        sa.Column("header_pedestal_adu", sa.Float(), nullable=True),
        sa.Column("combined", sa.Integer(), nullable=True),
        sa.Column("header_questions", sa.JSON(), nullable=False),
        sa.Column("corrected", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("measured_with", sa.Integer(), nullable=True),
        sa.Column("stars", sa.Integer(), nullable=True),
        sa.Column("fwhm_px", sa.Float(), nullable=True),
        sa.Column("fwhm_px_err", sa.Float(), nullable=True),
        sa.Column("axis_ratio", sa.Float(), nullable=True),
        sa.Column("eccentricity", sa.Float(), nullable=True),
        sa.Column("eccentricity_err", sa.Float(), nullable=True),
        sa.Column("elongation_deg", sa.Float(), nullable=True),
        sa.Column("alignment", sa.Float(), nullable=True),
        sa.Column("hfr_px", sa.Float(), nullable=True),
        sa.Column("background_adu", sa.Float(), nullable=True),
        sa.Column("noise_adu", sa.Float(), nullable=True),
        sa.Column("gradient_adu", sa.Float(), nullable=True),
        sa.Column("beta", sa.Float(), nullable=True),
        sa.Column("ranked_flux_adu", sa.Float(), nullable=True),
        sa.Column("width_from", sa.String(), nullable=True),
        sa.Column("clipped_stars", sa.Integer(), nullable=True),
        sa.Column("streaks", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("field", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("notes", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("level", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("readout", sa.String(), nullable=True),
        sa.Column("doubled_share", sa.Float(), nullable=True),
        sa.Column("doubled_px", sa.Float(), nullable=True),
        sa.Column("airmass", sa.Float(), nullable=True),
        sa.Column("moon_alt_deg", sa.Float(), nullable=True),
        sa.Column("moon_sep_deg", sa.Float(), nullable=True),
        sa.Column("sun_alt_deg", sa.Float(), nullable=True),
        sa.Column("pedestal_adu", sa.Float(), nullable=True),
        sa.Column("pedestal_from", sa.String(), nullable=True),
        sa.Column("rows_out_of_place", sa.String(), nullable=True),
        sa.Column("matched_to", sa.String(length=32), nullable=True),
        sa.Column("throughput", sa.Float(), nullable=True),
        sa.Column("transparency", sa.Float(), nullable=True),
        sa.Column("shift_x_px", sa.Float(), nullable=True),
        sa.Column("shift_y_px", sa.Float(), nullable=True),
        sa.Column("rotation_deg", sa.Float(), nullable=True),
        sa.Column("effective_s", sa.Float(), nullable=True),
        sa.Column("effective_form", sa.String(), nullable=True),
        sa.Column("run_questions", sa.JSON(), nullable=False),
        sa.Column("auto_grade", sa.String(), nullable=False),
        sa.Column("grade", sa.String(), nullable=False),
        sa.Column("graded_by", sa.String(), nullable=False),
        sa.Column("faults", sa.JSON(), nullable=False),
        sa.Column("note", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_frame_run_id_run")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_frame")),
        sa.UniqueConstraint("content_key", name=op.f("uq_frame_content_key")),
    )
    with op.batch_alter_table("frame", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_frame_run_id"), ["run_id"], unique=False)
        batch_op.create_index("ix_frame_taken_at_utc", ["taken_at_utc"], unique=False)

    op.create_table(
        "run_sum",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("target", sa.String(), nullable=False),
        sa.Column("filter", sa.String(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("logged_s", sa.Float(), nullable=False),
        sa.Column("kept_s", sa.Float(), nullable=False),
        sa.Column("doubtful_s", sa.Float(), nullable=False),
        sa.Column("rejected_s", sa.Float(), nullable=False),
        sa.Column("ungraded_s", sa.Float(), nullable=False),
        sa.Column("effective_s", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_run_sum_run_id_run")),
        sa.PrimaryKeyConstraint("run_id", "target", "filter", name=op.f("pk_run_sum")),
    )
    op.create_table(
        "run_usual",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("filter", sa.String(), nullable=False),
        sa.Column("binning", sa.Integer(), nullable=False),
        sa.Column("fwhm_px", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"], name=op.f("fk_run_usual_run_id_run")),
        sa.PrimaryKeyConstraint("run_id", "filter", "binning", name=op.f("pk_run_usual")),
    )
    op.create_table(
        "header",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("frame_id", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(length=32), nullable=False),
        sa.Column("stage", sa.String(), nullable=False),
        sa.Column("card_count", sa.Integer(), nullable=False),
        sa.Column("cards", sa.LargeBinary(), nullable=False),
        sa.Column("speaks", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["frame_id"], ["frame.id"], name=op.f("fk_header_frame_id_frame")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_header")),
        sa.UniqueConstraint("frame_id", "digest", name=op.f("uq_header_frame_id_digest")),
    )
    op.create_table(
        "mark",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("frame_id", sa.Integer(), nullable=False),
        sa.Column("grade", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=True),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("at_utc", sa.DateTime(), nullable=False),
        sa.Column("undoes", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["frame_id"], ["frame.id"], name=op.f("fk_mark_frame_id_frame")),
        sa.ForeignKeyConstraint(["undoes"], ["mark.id"], name=op.f("fk_mark_undoes_mark")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mark")),
    )
    with op.batch_alter_table("mark", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_mark_frame_id"), ["frame_id"], unique=False)

    op.create_table(
        "preview",
        sa.Column("frame_id", sa.Integer(), nullable=False),
        sa.Column("shrink", sa.Integer(), nullable=False),
        sa.Column("corners", sa.JSON(), nullable=False),
        sa.Column("image_width", sa.Integer(), nullable=False),
        sa.Column("image_height", sa.Integer(), nullable=False),
        sa.Column("image_zero_adu", sa.Float(), nullable=False),
        sa.Column("image_soft_adu", sa.Float(), nullable=False),
        sa.Column("image_levels", sa.Float(), nullable=False),
        sa.Column("image_packed", sa.LargeBinary(), nullable=False),
        sa.Column("cutouts_width", sa.Integer(), nullable=False),
        sa.Column("cutouts_height", sa.Integer(), nullable=False),
        sa.Column("cutouts_zero_adu", sa.Float(), nullable=False),
        sa.Column("cutouts_soft_adu", sa.Float(), nullable=False),
        sa.Column("cutouts_levels", sa.Float(), nullable=False),
        sa.Column("cutouts_packed", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["frame_id"], ["frame.id"], name=op.f("fk_preview_frame_id_frame")),
        sa.PrimaryKeyConstraint("frame_id", name=op.f("pk_preview")),
    )
    op.create_table(
        "star_list",
        sa.Column("frame_id", sa.Integer(), nullable=False),
        sa.Column("stars", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["frame_id"], ["frame.id"], name=op.f("fk_star_list_frame_id_frame")
        ),
        sa.PrimaryKeyConstraint("frame_id", name=op.f("pk_star_list")),
    )
    op.create_table(
        "file",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("path", sa.LargeBinary(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("mtime_ns", sa.BigInteger(), nullable=False),
        sa.Column("header_id", sa.Integer(), nullable=True),
        sa.Column("error", sa.String(), nullable=True),
        sa.Column("missing", sa.Boolean(), nullable=False),
        sa.Column("read_at_utc", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["header_id"], ["header.id"], name=op.f("fk_file_header_id_header")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_file")),
        sa.UniqueConstraint("path", name=op.f("uq_file_path")),
    )
    with op.batch_alter_table("file", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_file_header_id"), ["header_id"], unique=False)
