"""Which frames are meant: one type, filled by the options of commands and by plain words alike."""

from dataclasses import dataclass, fields, replace

PANEL = " panel "  # between a mosaic's name and its panel's, as `with_panel` writes it
SORTABLE = (
    "taken_at_utc target filter grade fwhm_px eccentricity stars background_adu noise_adu hfr_px "
    "exposure_s airmass transparency moon_alt_deg sensor_c focus_c"
).split()


@dataclass(frozen=True, slots=True)
class Term:
    """One thing asked of a frame in plain words; `negated` asks for the opposite."""

    about: str  # a field of Selection, person, noted, text, clock, or a comparison
    value: str = ""
    column: str = ""
    number: float = 0.0
    until: float = 0.0  # of "clock": seconds of the day, as is its number, both within
    negated: bool = False


@dataclass(frozen=True, slots=True)
class Selection:
    """Names in their one spelling; what is None or empty asks nothing, all that is asked holds."""

    night: str | None = None  # the evening's ISO date
    since: str | None = None
    until: str | None = None  # the last evening, itself included
    target: str | None = None  # with its panels, when it is a mosaic
    filter: str | None = None
    rigs: tuple[str, ...] | None = None  # names; one of them
    grade: str | None = None  # of light frames: no other has one
    fault: str | None = None
    kind: str | None = None
    folder: bytes | None = None  # absolute; files below it
    pattern: str | None = None  # shell pattern of the file's name
    near_deg: tuple[float, float, float] | None = None  # RA, Dec, radius
    frame_ids: tuple[int, ...] | None = None
    run_id: int | None = None
    terms: tuple[Term, ...] = ()

    @property
    def asks_nothing(self) -> bool:
        """Tell whether it means every frame there is."""
        return self == EVERYTHING

    @property
    def is_all_time(self) -> bool:
        """Tell whether all nights, rigs and grades are meant, whatever the target and filter."""
        return replace(self, target=None, filter=None) == EVERYTHING

    @property
    def of_whole_groups(self) -> bool:
        """Tell whether it takes each target and filter of a run whole or not at all."""
        return self._asked <= {*_OF_RUNS, "target", "filter"}

    @property
    def of_whole_runs(self) -> bool:
        """Tell whether it takes each run whole or not at all."""
        return self._asked <= _OF_RUNS

    @property
    def _asked(self) -> set[str]:
        return {f.name for f in fields(self) if getattr(self, f.name) != f.default}

    def in_words(self) -> str:
        """Say it, for the book of corrections."""
        said = [f"{len(self.frame_ids)} named"] if self.frame_ids else []
        names = "night since until folder pattern target filter kind rigs grade fault near_deg"
        values = ((name, getattr(self, name)) for name in names.split())
        return ", ".join([*said, *(_said(name, v) for name, v in values if v is not None)])


EVERYTHING = Selection()
_OF_RUNS = frozenset(("night", "since", "until", "rigs", "run_id"))


@dataclass(frozen=True, slots=True)
class Order:
    """What a list is sorted by; frames without the value always come last."""

    column: str = "taken_at_utc"
    descending: bool = False


def _said(name: str, value: object) -> str:
    if isinstance(value, bytes):
        return f"{name} {value.decode('utf-8', 'backslashreplace')}"
    if name == "rigs" and isinstance(value, tuple):
        return f"rig {' or '.join(value)}"
    if name == "near_deg" and isinstance(value, tuple):
        ra, dec, radius = value
        return f"within {radius:g} deg of RA {ra:.4f}, Dec {dec:+.4f}"
    return f"{name} {value}"
