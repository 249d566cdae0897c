"""What is true of every drawn frame, and what a careful person would say of it."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameLabel:
    """One drawn light frame; strengths are continuous so that any limit can be applied later."""

    file: str  # below the night's folder
    number: int  # in time order, from 0
    start_utc: str
    exposure_s: float
    target: str
    filter: str
    pier_side: str
    airmass: float
    sun_alt_deg: float
    moon_limb_deg: float  # upper limb above the horizon as seen: what almanacs call risen
    clean_px: float  # width in focus and untrailed, under this frame's own seeing and air
    usual_ratio: float  # clean width with the air's part taken out, over the rig's usual
    night_ratio: float  # the same over this night's median
    defocus: float = 1.0  # times the clean width
    trail_fwhm: float = 0.0  # length of the trail over the clean width
    double_fwhm: float = 0.0  # distance of the second image over the clean width
    transparency: float = 1.0  # what cloud leaves
    dew_light: float = 1.0  # what dew leaves
    sky_ratio: float = 1.0  # diffuse light over the same without Moon, twilight, lamps and cloud
    sky_from: str = ""  # moon, dawn or lamp: what brightens it most
    covered: float = 0.0  # share of the field's width behind an obstacle
    off_field: float = 0.0  # distance from the intended place over the field's short side
    wrong_field: bool = False
    cap: bool = False
    stretch: float = 0.0  # eccentricity that optics out of order give every star, one way
    glitch: str = ""
    streaks: int = 0
    sensor_off_c: float = 0.0
    refocused: bool = False  # a focus run just before
    after_pause: bool = False
    shift_x_px: float = 0.0
    shift_y_px: float = 0.0
    rotation_deg: float = 0.0
    eccentricity: float = 0.0  # of a trailed star as drawn, by adaptive moments
    plateau: float = 1.0  # what is left of the light on a plateau
    turned_deg: float = 0.0
    binning: int = 1
    depth_rate: float = 0.0  # T^2 / (FWHM^2 v): point-source depth a second, any unit


@dataclass(frozen=True, slots=True)
class Yardstick:
    """How strong a fault has to be to be let through, at the edge, or to be caught."""

    cause: str
    fault: str  # the name a grade should give first
    value: Callable[[FrameLabel], float]
    more_is_worse: bool
    clean: float  # up to here a frame still counts as clean
    edge: float  # from here a person might notice
    must: float  # from here it must not be kept
    bins: tuple[float, ...] = ()  # where classes of strength begin, mildest first

    def reaches(self, label: FrameLabel, limit: float) -> bool:
        """Tell whether a frame is at a limit or beyond."""
        return self.reaches_value(self.value(label), limit)

    def reaches_value(self, value: float, limit: float) -> bool:
        """Tell whether a strength is at a limit or beyond."""
        return value >= limit if self.more_is_worse else value <= limit

    def bin(self, label: FrameLabel) -> float | None:
        """Give the class of strength a frame falls in; None below the mildest."""
        found = [start for start in self.bins if self.reaches(label, start)]
        return found[-1] if found else None


# In the order of precedence: what hides the others comes first.
YARDSTICKS = (
    Yardstick("cap", "few-stars", lambda f: float(f.cap), True, 0.5, 1.0, 1.0, (1.0,)),
    Yardstick(
        "wrong field", "off-target", lambda f: float(f.wrong_field), True, 0.5, 1.0, 1.0, (1.0,)
    ),
    Yardstick("read-out", "readout", lambda f: float(bool(f.glitch)), True, 0.5, 1.0, 1.0, (1.0,)),
    Yardstick(
        "obstruction", "obstructed", lambda f: f.covered, True, 0.02, 0.15, 0.25, (0.15, 0.25, 0.5)
    ),
    Yardstick("dew", "dew", lambda f: f.dew_light, False, 0.95, 0.85, 0.6, (0.85, 0.6, 0.4)),
    Yardstick("jump", "off-target", lambda f: f.off_field, True, 0.05, 0.1, 0.12, (0.1, 0.25)),
    Yardstick("doubled", "doubled", lambda f: f.double_fwhm, True, 0.3, 0.8, 1.5, (0.8, 1.5, 3.0)),
    Yardstick(
        "trail", "trailed", lambda f: f.trail_fwhm, True, 0.3, 0.79, 0.99,
        (0.49, 0.79, 0.99, 1.45, 2.4),
    ),
    # Beyond 0.44 a person looks at it: by tracking or optics, nothing in a frame tells which.
    Yardstick("stretched", "trailed", lambda f: f.stretch, True, 0.4, 0.42, 1.0),
    Yardstick(
        "defocus", "defocused", lambda f: f.defocus, True, 1.06, 1.195, 1.295,
        (1.095, 1.195, 1.295, 1.55, 2.0),
    ),
    Yardstick(
        "cloud", "cloud", lambda f: f.transparency, False, 0.95, 0.855, 0.755,
        (0.905, 0.855, 0.755, 0.5, 0.25),
    ),
    Yardstick(
        "bright sky", "bright-sky", lambda f: f.sky_ratio, True, 1.3, 1.48, 1.98,
        (1.3, 1.48, 1.98, 3.0, 4.0),
    ),
    Yardstick("seeing", "soft", lambda f: f.night_ratio, True, 1.26, 1.35, 1.5, (1.35, 1.5)),
    Yardstick("poor night", "soft", lambda f: f.usual_ratio, True, 1.26, 1.35, 1.5, (1.35, 1.5)),
)  # fmt: skip
ACCEPTED_TOO = {"wrong field": ("few-stars",), "cap": (), "dew": ("dew",)}
STRICT = ("trail", "defocus", "cloud", "bright sky")  # the causes with numbers to reach


def present(label: FrameLabel, level: str) -> list[Yardstick]:
    """List the causes that reach a level (clean, edge, must), most hiding first."""
    if level == "clean":
        return [
            y
            for y in YARDSTICKS
            if (y.value(label) > y.clean if y.more_is_worse else y.value(label) < y.clean)
        ]
    return [y for y in YARDSTICKS if y.reaches(label, getattr(y, level))]


def status(label: FrameLabel) -> str:
    """Say how a frame is to be judged: clean, slight (not scored), edge or must."""
    if present(label, "must"):
        return "must"
    if present(label, "edge"):
        return "edge"
    return "slight" if present(label, "clean") else "clean"


def cause_of(label: FrameLabel) -> Yardstick | None:
    """Give the cause a frame is judged for: the most hiding one of the strongest level."""
    for level in ("must", "edge", "clean"):
        found = present(label, level)
        if found:
            return found[0]
    return None


def expected_first(label: FrameLabel) -> str | None:
    """Name the fault that should come first; None for a frame that must not have one."""
    found = present(label, "must") or present(label, "edge")
    return found[0].fault if found else None


def accepted_first(label: FrameLabel) -> set[str]:
    """Name every fault that may rightly come first."""
    found = present(label, "must") or present(label, "edge")
    names = {y.fault for y in found}
    for y in found:
        names |= set(ACCEPTED_TOO.get(y.cause, ()))
    return names


@dataclass(frozen=True, slots=True)
class Span:
    """An event in frame numbers, ends included; between two frames for sudden things."""

    kind: str
    first: int
    last: int


def stretches(kind: str, hit: Iterable[bool], bridge: int = 1) -> list[Span]:
    """Join frames in trouble to events; up to `bridge` good frames do not end one."""
    spans: list[Span] = []
    for number, troubled in enumerate(hit):
        if not troubled:
            continue
        if spans and number - spans[-1].last <= bridge + 1:
            spans[-1] = Span(kind, spans[-1].first, number)
        else:
            spans.append(Span(kind, number, number))
    return spans


@dataclass(frozen=True, slots=True)
class Limits:
    """Where a policy begins to speak of a fault; events begin and end there."""

    cloud_transparency: float = 0.8
    defocus_ratio: float = 1.25
    trail_fwhm: float = 0.8
    sky_ratio: float = 2.0
    cooling_c: float = 2.0

    def beyond(self) -> "Limits":
        """Give limits that are passed beyond doubt: no measurement is exact."""
        return Limits(
            self.cloud_transparency - 0.03,
            self.defocus_ratio * 1.04,
            self.trail_fwhm * 1.12,
            self.sky_ratio * 1.05,
            self.cooling_c,
        )


def _changes(kind: str, hit: list[bool]) -> list[Span]:
    """Give sudden things: between the frame before and the frame where it shows."""
    return [Span(kind, max(n - 1, 0), n) for n, now in enumerate(hit) if now]


def _rises(values: list[bool]) -> list[bool]:
    """Tell where something begins that was not so in the frame before."""
    return [n > 0 and now and not values[n - 1] for n, now in enumerate(values)]


def _flipped(frames: list[FrameLabel]) -> list[bool]:
    return [
        n > 0 and f.pier_side != frames[n - 1].pier_side and f.target == frames[n - 1].target
        for n, f in enumerate(frames)
    ]


def _refocused(frames: list[FrameLabel]) -> list[bool]:
    """Find the focus runs that ended a drift; the hourly one, that changes little, is no event."""
    return [n > 0 and f.refocused and frames[n - 1].defocus >= 1.2 for n, f in enumerate(frames)]


def _blind(frame: FrameLabel) -> bool:
    return frame.cap or frame.wrong_field


def true_events(frames: list[FrameLabel], limits: Limits, *, dithered: bool = True) -> list[Span]:
    """Work out the events of a night under given limits."""
    return [
        *_limited(frames, limits),
        *_changes("refocus", _refocused(frames)),
        *_changes("flip", _flipped(frames)),
        *_changes("jump", _rises([f.off_field > 0.1 for f in frames])),
        *_changes("pause", [f.after_pause for f in frames]),
        *_changes("moonrise", _rises([f.moon_limb_deg > 0 for f in frames])),
        *_changes("moonset", _rises([f.moon_limb_deg <= 0 for f in frames])),
        *stretches("cooling", [abs(f.sensor_off_c) > limits.cooling_c for f in frames]),
        *stretches("dew", [f.dew_light < 1.0 for f in frames]),
        *stretches("obstruction", [f.covered >= 0.25 for f in frames]),
        *([] if dithered else [Span("no-dither", 0, len(frames) - 1)]),
    ]


def _limited(frames: list[FrameLabel], limits: Limits) -> list[Span]:
    """Find the events that begin and end where a strength passes its limit."""
    clouded = [f.transparency <= limits.cloud_transparency and not _blind(f) for f in frames]
    dawn = [f.sky_ratio >= limits.sky_ratio and f.sky_from == "dawn" for f in frames]
    return [
        *stretches("cloud", clouded),
        *_drifts(frames, limits),
        *stretches("trailing", [f.trail_fwhm >= limits.trail_fwhm for f in frames]),
        *stretches("dawn", dawn),
    ]


def _drifts(frames: list[FrameLabel], limits: Limits) -> list[Span]:
    """Find stretches out of focus; one frame by itself is no drift."""
    found = stretches("focus-drift", [f.defocus >= limits.defocus_ratio for f in frames])
    return [span for span in found if span.last > span.first]


def scored_events(frames: list[FrameLabel], limits: Limits, *, dithered: bool) -> list[Span]:
    """Give the events that must be told: those that pass their limit beyond doubt somewhere."""
    certain = {(e.kind, n) for e in _limited(frames, limits.beyond()) for n in frames_of(e)}
    doubtable = set(_limited(frames, limits))
    return [
        event
        for event in true_events(frames, limits, dithered=dithered)
        if event not in doubtable or any((event.kind, n) in certain for n in frames_of(event))
    ]


def frames_of(span: Span) -> range:
    """Give the numbers of an event's frames."""
    return range(span.first, span.last + 1)


def allowed_events(frames: list[FrameLabel], limits: Limits) -> list[Span]:
    """List what may be told too: events at their limit, the way back after a jump or a slew,
    a knock told as trailing."""
    back = [f.off_field <= 0.1 and not _blind(f) for f in frames]
    lost = [f.wrong_field for f in frames]
    knocked = [f.double_fwhm > 0 for f in frames]
    stretched = [f.stretch >= 0.42 for f in frames]
    return [
        *_limited(frames, limits),
        *_changes("jump", _rises(back)),
        *_changes("jump", _rises(lost)),
        *stretches("trailing", knocked, bridge=0),
        *stretches("trailing", stretched),
    ]
