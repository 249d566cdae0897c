"""What is planned, the rig, a scan: a line a key, with its types, unit and meaning.

A line reads `key types [unit]: meaning`; `?` behind a type: null where it is not known or does not
apply. `list of PART` and `object of PART` lead to a part, which has lines of its own. Behind the
name of a listing stands its version; `rows` is its list of rows.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

_TEXT = """
= tonight runlog.tonight/1
night string: ISO date of the evening that is planned
site object of tonight.site: where the rig used last stands, and who says so
dark_start_utc string?: when the dark that is planned begins; null where there is none
dark_end_utc string?: when it ends
dark_from string: by which twilight it is dark: astronomical, nautical, none
sun_lowest_deg number: how low the Sun gets in this night
moon object of tonight.moon: the Moon of the night, from noon to noon
share_usable number?: share of the graded time that this site kept; null before any was kept
share_usable_from string: how much record that rests on, or that there is none
bound_share number?: worth of the running order over what no order can pass; null: nothing to gain
goals_set boolean: whether goals are set; without any, targets with kept hours are planned
rigs list of tonight.rig: one object a rig that is planned
rows list of tonight.row: one object a rig, goal and way to serve it, in the order of the plan
plan list of tonight.block: the running order, one object a stretch of frames
unknown list of tonight.unknown: what the plan had to assume

= tonight.site
latitude_deg number: latitude, north positive
longitude_deg number: longitude, east positive
elevation_m number: height above the sea; 0 where it is not known
from string: where the place was taken from

= tonight.moon
rise_utc string?: when it first rises between the noons
set_utc string?: when it first sets between the noons
lit number: lit share of its disc in the middle of the night, 0 to 1
alt_max_deg number?: its greatest height in the dark

= tonight.rig
rig string: telescope and camera
night string: ISO date of the evening that comes next where it stands
site object of tonight.site: where it stands, and who says so
dark_start_utc string?: when the dark that is planned begins; null where there is none
dark_end_utc string?: when it ends
dark_from string: by which twilight it is dark: astronomical, nautical, none
sun_lowest_deg number: how low the Sun gets in that night
moon object of tonight.moon: the Moon there, from noon to noon
bound_share number?: the same of this rig; of its own goals, where others' stand behind them
setup_s number: time lost before the first frame of another target
overhead_same_filter_s number: time lost between frames through one filter
overhead_other_filter_s number: time lost when the filter changes
overhead_from string: what these were measured on, or that they are assumed
flip string?: where the rule of the mount's flip is from; null: no flip is planned
clear_share number?: share of nights with frames; null where fewer than five nights tell it
remarks list: why it has no goal, which goals others reach, or that it never used a filter, in words

= tonight.row
rig string?: telescope and camera; null for a goal that no plan here holds
target string: the goal's target
filter string: the filter of the frames that serve it
priority integer?: 1 is first, 9 is last
to_go_s number?: goal minus kept; null where no goal is set
up_start_utc string?: when it is first above the limits in the dark
up_end_utc string?: when it is last
transit_utc string?: when it crosses the meridian
alt_max_deg number?: its greatest height in that time
airmass_min number?: its least airmass in that time
moon_sep_deg number?: angle to the Moon when a minute is worth most
moon_v_mag number? [mag/arcsec^2]: brightness of the moonlight there and then, V; null: none
sky_ratio number?: sky with the Moon over sky without it, through this filter, there and then
moon_from string?: whether the Moon's share was learned from frames or is a published default
worth number?: effective minutes that the best minute gives
exposure_s number?: length of the frames that are planned
exposure_from string?: what that length was taken from
overhead_s number?: time lost between two of them
overhead_from string?: what that was measured on, or that it is assumed
frames_fit integer?: frames that fit if it had the night alone
effective_s number?: effective time these would give
effective_low_s number?: effective time on a poor night, one in ten; null where too few nights tell
effective_high_s number?: effective time on a good night, one in ten
planned_s number?: effective time that this rig's running order gives it
season_end string?: last evening with an hour of it in the dark; null: no end within a year
nights_left integer?: nights with an hour of it until then
obtainable_s number?: effective time to be had until then, clear nights by the person's own record
weight_priority number?: factor of the urgency by priority
weight number?: urgency: priority, and what is to go against what can be had
best_night string?: evening within thirty that gives it most
reason string?: why nothing of it is planned; null where something is

= tonight.block
rig string: telescope and camera
start_utc string: when the shutter first opens
end_utc string: when it last closes
target string: what it points at
filter string: the filter
frames integer: frames in a row
effective_s number: effective time they give
why string: priority, what is to go, what the season gives, a minute's worth, rigs that serve it too

= tonight.unknown
what string: what is not known
why string: why, and what is assumed instead
cure string: what would make it known

= ahead runlog.ahead/1
rows list of ahead.row: one object a night of a goal
goals list of ahead.goal: one object a goal
goals_set boolean: whether goals are set; without any, targets with kept hours are looked at

= ahead.row
night string: ISO date of the evening
target string: the goal's target
filter string: the goal's filter
rig string: the rig that is counted: others may serve it as well
dark_s number: dark of that night
usable_s number: of it, time with the target above the limits
moonless_s number: of that, time without the Moon
effective_s number: effective time a clear night would give the goal if it had it alone
rank integer?: 1 is the night that gives most; null where it gives nothing
season_end string?: last evening of the season; null: no end within a year

= ahead.goal
target string: the goal's target
filter string: the goal's filter
rig string: the rig that is counted: others may serve it as well
priority integer?: 1 is first, 9 is last
to_go_s number?: goal minus kept; null where no goal is set
season_begins string?: first evening with an hour of it in the dark
season_end string?: last evening of the season
season_nights integer?: nights of the season that are left; null where its place is not known
obtainable_s number?: effective time to be had in the season
clear_share number?: share of nights with frames; null where fewer than five nights tell it
moonless_share number?: share of its usable time in the nights shown that is without the Moon
can_finish boolean?: whether the season gives what is to go; null where the record is too short
text string: that in words

= focus runlog.focus/1
rows list of focus.row: sweeps, then what follows from all sweeps of a rig

= focus.row
kind string: sweep, slope, offset, advice or zone; keys of other kinds are null
rig string: telescope and camera
night string?: ISO date of the evening
at_utc string?: when the sweep began
filter string?: the filter
against string?: of an offset: the filter it is counted from
points integer?: frames of the sweep
positions integer?: positions of the focuser among them
best_pos number? [steps]: where the fit has its minimum; null where it is refused
best_pos_err number? [steps]: half its 95 % interval
best_fwhm_px number?: width at the minimum
half_range_steps number? [steps]: to each side, where stars are 5 % wider
chi2_nu number?: squared residuals over their errors, per degree of freedom
approach string?: whether positions rose, fell or went both ways
temperature_c number?: temperature of the sweep
temperature_from string?: what measured it
slope_per_c number? [steps per deg C]: how the best position goes with temperature
slope_low number? [steps per deg C]: lower end of its 95 % interval
slope_high number? [steps per deg C]: upper end
sweeps integer?: sweeps it rests on
span_c number?: range of temperature they cover
offset_steps number? [steps]: how far one filter's focus is from the other's
offset_err number? [steps]: half its 95 % interval
offset_from string?: sweeps, or frames, which tell a size without a side
refocus_each_c number?: change of temperature after which to focus again
refocus_low_c number?: lower end of its interval
refocus_high_c number?: upper end
zone_um number?: to each side, by the rule named: a quarter of a wave
zone_steps_low number? [steps]: that in steps, at least
zone_steps_high number? [steps]: that in steps, at most
zone_rule string?: the rule and its numbers
verdict string: found, refused, unknown, none shown, side unknown
reason string?: why it is not known or refused
measured array?: of a sweep: [position, FWHM in px, half-flux radius in px] of each frame

= alignment runlog.alignment/1
rows list of alignment.row: one object a night of a rig

= alignment.row
night string: ISO date of the evening
rig string: telescope and camera
frames integer: frames that tell how the field turned
arc_h number [h]: hour angle they span
up_arcmin number?: how far the axis points above the true pole; null: unknown or below the floor
up_err number? [arcmin]: half the ellipse's extent in altitude, at 90 %
east_arcmin number?: how far it points east of the true pole, on the sky
east_err number? [arcmin]: half the ellipse's extent in azimuth, at 90 %
size_arcmin number?: how far it is off in all
size_err number? [arcmin]: half the ellipse's extent that way, at 90 %
below_floor boolean?: whether it is less than can be told from flexure; null: unknown
sense string: known, or mirrored-unknown: the side may be the opposite one
refraction_taken_out boolean: whether refraction's turn was subtracted
rotation_deg_h number? [deg/h]: the fastest turn of the field as measured
guided boolean?: whether something held the field, by its drift; null: unknown
drift_used boolean: whether the axis rests on the drift in declination as well
drift_dec_arcsec_h number? [arcsec/h]: drift of stars north on the camera, on average; null: unknown
drift_arcsec_h number? [arcsec/h]: the fastest drift of the field, whichever way
drift_reason string?: why it is unknown whether the night was guided
trail_px number?: what that costs a corner in the longest frame, by the axis alone
trail_low_px number?: the least of it over the ellipse
trail_high_px number?: the most of it over the ellipse
exposure_s number?: length of that frame
scatter_arcsec number?: what angles scatter by about the fit
camera_turned_deg number?: by how much the camera stands turned since an earlier night
camera_turned_px number?: what that is in a corner
camera_turned_since string?: ISO date of that evening
verdict string: worth it, not sure, leave it, unknown
reason string?: why it is unknown

= trends runlog.trends/1
rows list of trends.row: one object a series of a rig

= trends.row
series string: what is followed: fwhm, eccentricity, tilt, sky, ...
rig string: telescope and camera
filter string?: the filter; null: all of them
setting string?: camera settings of its frames, where they matter
unit string?: unit of usual, slope, low, high, change_size and points
runs integer: nights that tell it
first string?: ISO date of the first of them
last string?: ISO date of the last
usual number?: the middle of them
slope_per_year number?: Theil-Sen slope a year; null of too few nights
low number?: lower end of its 95 % interval
high number?: upper end
p number?: how likely chance brings such a trend (Mann-Kendall, for series that remember)
p_adjusted number?: that, corrected for the number of series of the rig
change_night string?: first evening after the likeliest step
change_size number?: size of that step
change_p number?: how likely chance brings such a step (Pettitt)
change_p_adjusted number?: that, corrected for the number of series of the rig
after string?: the note that is nearest to a step that holds
verdict string: steady, worse, better, changed, too-few
reason string: that in words
points array: [ISO date of the evening, value] of each night

= scan runlog.scan/1
new integer: files with frames that were not known
unchanged integer: files that are as they were
moved integer: files whose frames are known from a file that is gone
duplicate integer: files whose frames are known from another file
rewritten integer: files with another header, or other pixels, than before
remeasured integer: files read only to be measured again
missing integer: frames that lie nowhere on this machine now, with those away
away integer: of these, frames below folders that are not there or empty: is a disk mounted?
failed list of scan.file: files that hold no frame that can be read, and why
problems list of scan.file: folders and files that could not be looked at, and why
doubts list of scan.file: files that are stored but lack something, and what
kinds object: how many of the new frames are of which kind
other_formats object: how many files of which suffix were not read, for they are not FITS
packed_otherwise object: how many FITS files are packed in a way that is not read, by suffix
seconds number [s]: how long it took
interrupted boolean: whether it was stopped before its end
measured_before integer: frames that keep the numbers of an earlier version of runlog
in_reject_folders integer: new frames in folders named for rejects
new_rigs array: rigs that are yours from this scan on, by name; none where a file is the database
history array: what became of frames of other nights, in words
restated list of scan.restated: hours by another reference than before

= scan.file
path string: the file or folder
error string: what is wrong with it

= scan.restated
target string: the target
filter string: the filter
ratio number: effective hours now over those before
why string: why they are others
"""

_HEAD = re.compile(r"= (\S+)(?: (runlog\.\S+))?")
_LINE = re.compile(r"(\w+) (list|object|[a-z]+)(\?)?(?: of (\S+))?(?: \[([^]]+)\])?: (.+)")
_NESTED = {"list": "array"}


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a listing or part."""

    kinds: tuple[str, ...]  # JSON types
    said: str
    unit: str | None = None  # where its name does not carry it
    part: str | None = None  # what its objects are made of


@dataclass(frozen=True, slots=True)
class Sheet:
    """The keys of a listing (with its schema's name) or of a part (without)."""

    schema: str | None
    keys: Mapping[str, Key]


def _key(line: str) -> tuple[str, Key]:
    found = _LINE.fullmatch(line)
    assert found is not None, line
    name, kind, null, part, unit, said = found.groups()
    kinds = (_NESTED.get(kind, kind), *(("null",) if null else ()))
    return name, Key(kinds, said, unit, part)


def _sheet(block: str) -> tuple[str, Sheet]:
    head, *lines = block.splitlines()
    found = _HEAD.fullmatch(head)
    assert found is not None, head
    return found.group(1), Sheet(found.group(2), dict(map(_key, lines)))


SHEETS: Mapping[str, Sheet] = dict(map(_sheet, _TEXT.strip().split("\n\n")))
