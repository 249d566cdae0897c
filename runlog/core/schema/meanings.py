"""What each published key means, in one sentence; its unit is in its name, and `units` reads it.

A key means the same in every listing; where one has a meaning of its own, it stands behind the
listing's name and a colon.
"""

from collections.abc import Mapping

_TEXT = """
path: the file, or one of its copies that is on this machine; text, with odd bytes as surrogates
paths: all files that hold these pixels
missing: whether no file of it is on this machine now
fingerprint: the frame's key, a hash of its decoded pixels; a start of it names the frame
kind: what the frame was taken for: light, dark, bias, flat, flat-dark, focus, stack, other
watch:kind: frame (one was graded), alarm, cleared (it is over), overdue, end (of the watch)
watch:path: the frame's file; null where it is not of one frame
watch:at_utc: when it was told
watch:grade: the frame's grade by all that is known when it was told; null where it is no frame
watch:faults: what the first look found
first_look: the grade that the first look at the frame gave
cause: the trouble: a cause of spoilt frames, folder, folder-silent, disk, database-disk, database
since_utc: start of the first frame of a warning's stretch
watch:frames: frames of the stretch that is warned of; with end, frames graded
latency_s: from the file's last change to this line
watch:text: the line in words
kind_from: what its kind was read from
night: ISO date of the evening; a night goes from local noon to local noon
rig: telescope and camera
target: what it points at, by the name the target goes by
filter: the filter, by its one spelling
taken_at_utc: start of the exposure
exposure_s: length of the exposure
binning: photosites along x that make one pixel
gain: the camera's setting, which has no unit
offset: the camera's setting, which has no unit
sensor_c: temperature of the sensor
set_c: temperature the cooler was to hold
focus_pos: position of the focuser, in steps
focus_c: temperature at the focuser
pier_side: side of the pier the telescope was on
airmass: airmass at the middle of the exposure
moon_alt_deg: altitude of the Moon
moon_sep_deg: angle between Moon and target
stars: stars found at 5 sigma
fwhm_px: full width at half maximum of the frame's stars as sampled
fwhm_px_err: standard error of fwhm_px
fwhm_arcsec: fwhm_px on the sky, where the plate scale is known
axis_ratio: short over long axis of the frame's mean star
eccentricity: sqrt(1 - axis_ratio^2) of the frame's mean star; 0 is round
eccentricity_err: standard error of eccentricity
elongation_deg: angle of the long axis, from +x towards +y, 0 to 180
alignment: how far the stars' elongations share one direction, 0 to 1
hfr_px: radius around a star's centre that holds half its light
background_adu: median of the sky, zero level included
noise_adu: robust noise of one pixel of sky
pedestal_adu: the camera's zero level, where anything tells it
gradient_pct: span of the sky over its median without the zero level
hot_pixels_ppm: single bright pixels in a million
throughput: light of the frame's stars over that of the best frame of its field
transparency: throughput with the airmass taken out; 1 is the best frame
shift_x_px: where a star of the reference is in this frame minus where it was, at the middle
shift_y_px: where a star of the reference is in this frame minus where it was, at the middle
rotation_deg: how far the frame is turned against the reference; a flip shows as 180
effective_s: kept time by the depth reached, over that of the reference
effective_form: whether effective time is that of stars (point) or nebulae (extended)
clipped_stars: stars that touch saturation
streaks: trails of satellites and aircraft, each [x0, y0, x1, y1] in pixels from 0
field: widths and shapes in nine zones row by row from the origin, tilt, curvature, worst zone
grade: the grade in force: keep, doubtful, reject, ungraded
graded_by: who graded it: auto or person
faults: names of what is held against it, the weightiest first
evidence: the evidence in words and numbers, by fault
note: what else is to be said of its grade or measurement
questions: what in its header cannot be believed as it stands
corrected: which values a person corrected
level: of a calibration frame: median, noise, percentiles and ceiling of its pixels
peak_adu: median highest pixel above the sky of the brightest stars
error: why the file is no frame
second_opinion: what photutils measures on the same pixels
frames: light frames, each exposure once
logged_s: exposure time of all light frames
kept_s: exposure time kept
doubtful_s: exposure time of doubtful frames
rejected_s: exposure time of rejected frames
ungraded_s: exposure time of frames without a grade
goal_s: time wanted
to_go_s: goal minus kept, never below zero, over all nights
frames_to_go: frames of the usual length that this is
nights: how many nights there are
share_kept: kept over logged time
gain_next_hour: how much signal to noise rises with one more hour, as a share
credited_s: kept time through dual-band filters that counts here too
goal_form: what the goal was set as: hours, ratio or gain
priority: 1 is first, 9 is last
done: whether the goal is reached
mosaic: the mosaic it is a panel of
panel: its panel
effective_note: what effective time rests on and leaves out
kept_so_far_s: kept time up to and with this night
effective_so_far_s: effective time up to and with this night
first_night: ISO date of the first evening
last_night: ISO date of the last evening
panels: how many panels the mosaic has
worst_panel: the panel that is least far along
progress: kept over wanted time of the worst panel
night_from: what local noon was taken from
noted: what a person noted of the rig for the night
dark_start_utc: when the Sun was deep enough for a dark sky
dark_end_utc: when it no longer was
first_utc: start of the first light frame
last_utc: end of the last light frame
open_shutter_s: exposure time between first and last
elapsed_s: time from first to last
overhead_median_s: usual time between two exposures
counts: light frames by grade
added: what the night added to each target and filter, as rows of totals
lost: exposure time that is not kept, in seconds, by its one cause
dark_lost: dark in which nothing was taken, in seconds, by the kind of event
verdicts: for each part of the rig a verdict (good, fair, poor, unknown) and its evidence
to_check: what to look at before the next night
events: what happened, in order of time
to_go: what is still to go of the night's targets, over all nights
start_utc: when it began
end_utc: when it ended
first: the first file it concerns
last: the last file it concerns
cost_s: exposure or dark time it cost
text: the words a person reads
verdict: the verdict: of a part good, fair, poor, unknown; of a check a grade
nights_needed: nights the goal still takes, by your own record
nights_few: one time in ten it takes no more
nights_many: one time in ten it takes more
record_nights: nights with this filter that are learned from
usual_night_s: time kept through this filter on a usual night
pace: what your record says of nights as a whole
spellings: how headers write the target, how often, and how that was understood
ra_deg: right ascension, J2000
dec_deg: declination, J2000
id: number to name it by
action: what was done to names
subject: the name it was done to
object: the name it led to
who: who said so
at_utc: when it was said
undoes: the number of what it takes back
stands: whether it is in force
value: the value that was set or found
selection: which frames were chosen, in words
changed: whether something was changed on the rig, so that nights are compared apart
readout_mode: the camera's read-out mode
size: width and height in pixels
origin: where on the sensor the part that was read begins
rotator_deg: angle of the rotator
darks: darks that fit: how many frames and masters, how many are enough, whether they are
flats: flats that fit, counted likewise
flat_darks: flat-darks that fit the flats, counted likewise
bias: bias frames that fit, counted likewise
notes: what is to be known besides
depth_share: effective time over the most of its target and filter
weight: deprecated, as depth_share; gone in the next release
setting: name of the limit in the config file
doubtful: the limit from which on a frame is doubtful
reject: the limit from which on it is rejected
says: what the config file said
fault: the fault that is looked for
what: what was looked at
overridden_by: the cause that explains this symptom
overridden_why: how it does
frame: the frame's key
extinction_mag: light a clear sky takes per airmass, in magnitudes
extinction_from: what that was taken from
name: name of the root
files: files known there
scanned_at_utc: when it was last scanned
machines: where the root is on each machine
about: what was looked at
well: whether it is as it should be
cure: what to do about it
light: light a second over that of the usual kept frame of its picture
half_rule: the light above which a frame deepens a sum of equal weights
depth_change: what keeping it does to the depth of faint surfaces, as a share, equal weights
star_depth_change: the same of the depth of stars
width_change: what keeping it does to the width of the picture's stars, likewise
depth_change_best: the same of the depth, with inverse-variance weights
star_depth_change_best: the same of the depth of stars, with inverse-variance weights
width_change_best: the same of the width, with inverse-variance weights
advice: keep, drop, either (no difference), look (its fault is not in these numbers), unknown
why: why the advice is look or unknown
pictures: each picture with what following the advice does to it, and that in words
cause: what took the time
losses:what: of which time: kept (depth of kept frames), not kept (whole frames), dark (unused)
whose: whose doing it is: the sky's, rig's, plan's, site's, yours, unknown, or between whom it lies
lost_s: time it took, of kept frames as effective time
gained_s: effective time over the best nights', of kept frames that were better in it
cure_s: effective time there would be more, had it not been
share: of all that was lost
budget: the sums that the losses belong to, and these in words
refocusing: of each rig out of focus, what focusing by its own sweeps would have saved, in words
usual_s: the length most of the frames have
best_s: the length that reaches most depth in a night; none where longer is always a little better
low_s: the shortest length within 2 % of the best
high_s: the longest length that serves; none where nothing that is known limits it
too_short: what costs most where frames are too short
too_long: what costs most where they are too long
usual_share: depth squared a night at the usual length over that at the best
swamp_s: the length from which read noise adds no more than 5 % to the sky's
clip_s: the length from which half of the brightest stars are clipped
sublength:clipped_stars: stars that are clipped in the usual kept frame
sublength:setting: what the camera was set to
sky_e_s: light of the background by its noise, in electrons a pixel and second
read_noise_e: read noise of a pixel, in electrons
read_noise_from: what the read noise was taken from
overhead_s: usual time between two exposures
spoilt_a_h: single frames spoilt by trailing, per hour of open shutter
spoilt_frames: frames that were spoilt one by one
spoiling: the same in words
spell_frames: frames that were spoilt in spells, which say nothing of the length
date_20: evening by which the goal is reached in 1 of 5 drawn years; none within a year
date_50: evening by which it is reached in half of them
date_80: evening by which it is reached in 4 of 5
season_end: last evening of the target's season
not_this_season: chance that it is not reached by then, or within a year where there is no end
chances: the dates and chances in words, or why there are none
dither:frames: kept frames that were laid on one reference
left_out: kept frames that were laid on another reference, or on none
p_x: Rayleigh's test of the fractions of a pixel along x: the chance of as uneven ones
p_y: the same along y
even: whether shifts fill the pixel as evenly as chance does; none of too few frames
places: whole pixels that a hot pixel falls on
most_on_one: frames on the one of them that most fall on
trails: trails in these frames
crossed_share: share of the field that trails of two frames or more hit
marks: frames marked by a person that can be compared
agree: marks that agree with the automatic grade
too_strict: frames kept by a person against the automatic grade
too_mild: frames not kept by a person that the automatic grade keeps
suggestions: limits that would have agreed better, with the evidence
mosaics: each mosaic, as far along as its worst panel
rigs: sums of each rig; last, with rig null, of all of them
nights:binning: photosites along x and y that make one pixel
calibration:binning: photosites along x and y that make one pixel
calibration:frames: kept light frames of the group
calibration:nights: ISO dates of the evenings
calibration:doubts: why frames that would be used may not be fit for it
judged: what was found of calibration frames: the rig, the night, which, and why
judged_since: the evening that calibration frames are judged from; null where none is older
calibration:missing: what has to be taken yet, in words
club:login: a login of the server
club:role: reader, observer or keeper
club:rigs: the rigs that are theirs
club:known: whether the server knows the login
roots:path: the folder on this machine
roots:missing: whether the folder is not on this machine now
corrections:field: what of the header was corrected
corrections:frames: frames it was said of
targets:questions: what is doubtful about the name, each with the command that settles it
check:text: what was found
of: the night, season or target, as its name or ISO date
title: the heading of the page
headline: what it comes to, in one sentence
figures: the numbers that count, each with its name and what is to be said beside it, in seconds
blocks: the parts of the page in their order, each with its block, heading and kind
made: what the page was made with: version, digest of the limits, database, the clock of its words
report:about: what the page is about: night, season, target
"""


def _read() -> Mapping[str, str]:
    found = {}
    for line in _TEXT.strip().splitlines():
        key, said = line.split(": ", 1)
        found[key] = said
    return found


MEANINGS = _read()
# What the end of a key says of its unit.
UNITS = {
    "s": "s", "px": "px", "arcsec": "arcsec", "adu": "ADU", "deg": "deg", "c": "deg C", "pct": "%",
    "ppm": "per million", "utc": "UTC, ISO 8601", "mag": "mag", "arcmin": "arcmin", "um": "um",
    "m": "m",
}  # fmt: skip


def meaning_of(listing: str, key: str) -> str:
    """Say what a key of a listing means."""
    return MEANINGS.get(f"{listing}:{key}") or MEANINGS[key]


def unit_of(key: str) -> str | None:
    """Tell the unit that a key's name carries."""
    return UNITS.get(key.removesuffix("_err").rsplit("_", 1)[-1]) if "_" in key else None
