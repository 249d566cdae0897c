"""What is wanted, what serves it, and what is known of the rig: the values a plan is made from."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from runlog.core.ledger.effective_time import DepthForm
from runlog.core.plan.cadence import Cadence
from runlog.core.plan.frames_fit import Turn
from runlog.core.plan.moon_law import MoonLaw
from runlog.core.plan.settings import PlanSettings
from runlog.core.plan.sky_grid import Skies
from runlog.core.sky.earth import Site

NARROW = frozenset(("Ha", "OIII", "SII", "NII", "Hb"))
WITHOUT_GOAL_S = 1e6  # more than any night: nothing fills it
ASSUMED_EXPOSURE_S = 300.0
ASSUMED_CLEAR = 0.5  # share of nights, where there is too little record
USUAL_PRIORITY = 5
Key = tuple[str, str]  # target, filter


@dataclass(frozen=True, slots=True)
class Wanted:
    """A goal not reached, or, where no goals are set, a target and filter with hours."""

    target: str
    filter: str
    priority: int | None = None
    to_go_s: float | None = None
    last_night: str = ""
    elsewhere_s: float = 0.0  # of it, planned with other rigs this night

    @property
    def need_s(self) -> float:
        """Effective seconds that are useful, once other rigs have had their share of the night."""
        whole_s = WITHOUT_GOAL_S if self.to_go_s is None else self.to_go_s
        return max(whole_s - self.elsewhere_s, 0.0)

    @property
    def key(self) -> Key:
        """What it is a goal for."""
        return (self.target, self.filter)

    @property
    def order(self) -> tuple[int, str, str]:
        """Where it stands among equals."""
        return (self.priority or USUAL_PRIORITY, self.target, self.filter)


@dataclass(frozen=True, slots=True)
class Shared:
    """A goal that several rigs serve in a night."""

    rigs: tuple[str, ...]  # the others
    together_s: float  # what all of them give it, in effective seconds


@dataclass(frozen=True, slots=True)
class Action:
    """A target through a filter, in frames of one length, and the goals it serves."""

    target: str
    filter: str
    exposure_s: float
    exposure_from: str
    serves: tuple[int, ...]  # numbers of what is wanted


@dataclass(frozen=True)
class Knowledge:
    """What the log of a rig and its site tell."""

    rig: str
    cadence: Cadence
    laws: Mapping[str, MoonLaw]  # by filter
    extinction_mag: Mapping[str, float]
    share: Mapping[str, float]  # of the logged time that was kept, by filter
    share_from: str
    form: DepthForm
    usual_airmass: Mapping[str, float] = field(default_factory=dict)  # by target
    clear: float | None = None  # share of nights with frames; None where that is not known
    low: float | None = None  # kept share of a poor night (one in ten is poorer), and of a good one
    high: float | None = None

    @property
    def p_clear(self) -> float:
        """How often a night serves."""
        return ASSUMED_CLEAR if self.clear is None else self.clear


@dataclass(frozen=True)
class Setting:
    """A rig's night to plan."""

    site: Site
    noon: float  # days since J2000
    limits: PlanSettings
    known: Knowledge
    until: float | None = None
    bands: frozenset[str] = frozenset()  # filters that pass several narrow bands
    busy: tuple[Turn, ...] = ()  # the rig is at something else: as a flip for all targets
    skies: Skies = field(default_factory=Skies, compare=False, repr=False)

    def sun_limit_deg(self, filter_name: str) -> float:
        """Give how low the Sun must be for a filter."""
        return self.limits.twilight_deg if self.is_narrow(filter_name) else -18.0

    def is_narrow(self, filter_name: str) -> bool:
        """Tell whether a filter passes narrow bands only."""
        base = filter_name.split(" ")[0]
        return base in NARROW or filter_name in self.bands
