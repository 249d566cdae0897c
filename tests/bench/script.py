"""The words in which a labelled night is written, and what they say of each of its frames."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from samples.maker.spoil import Glitch

TUNE, HELD_OUT, UNSEEN = "tune", "held-out", "unseen"


@dataclass(frozen=True, slots=True)
class Block:
    """Frames of one target; filters and exposures are taken in turn."""

    target: str
    filters: tuple[str, ...]
    frames: int
    exposures_s: tuple[float, ...]
    binning: int = 1


@dataclass(frozen=True, slots=True)
class Drift:
    """The focuser stands still from a frame on while the air cools, until a refocus or the end."""

    stuck: int
    refocus: int | None
    peak: float  # times the clean width at the last frame before the refocus


@dataclass(frozen=True, slots=True)
class Cloud:
    """A passage: its middle, its width (one standard deviation, frames) and its depth."""

    middle: float
    width: float
    depth: float


@dataclass(frozen=True, slots=True)
class Spell:
    """Poor seeing over some frames, as a factor on its width."""

    first: int
    last: int
    factor: float


@dataclass(frozen=True, slots=True)
class Lamp:
    """Light from the neighbourhood over some frames, as a factor on the sky."""

    first: int
    last: int
    factor: float


@dataclass(frozen=True, slots=True)
class Tree:
    """The target goes behind something: cover runs from one value to another."""

    first: int
    last: int
    cover: tuple[float, float]
    from_deg: float
    sky_left: float = 0.45  # brightness of what stands there against the open sky
    soft: float = 0.12  # width of its edge over the field's


@dataclass(frozen=True, slots=True)
class Dew:
    """Dew grows on the glass: the light left falls from 1 to `left`, then it is wiped off."""

    first: int
    last: int
    left: float
    halo: float | None = None  # share of the light in halos per share lost; None: six tenths


@dataclass(frozen=True, slots=True)
class Plateau:
    """Light lost at one level under an unchanged sky over some frames, back at once."""

    first: int
    last: int
    left: float


@dataclass(frozen=True, slots=True)
class Cirrus:
    """A thin veil that comes and goes between two shares of light taken."""

    first: int
    last: int
    least: float
    most: float


@dataclass(frozen=True, slots=True)
class Turn:
    """The camera turns in its clamp before a frame and stays so."""

    frame: int
    degrees: float


@dataclass(frozen=True, slots=True)
class Jump:
    """The pointing jumps by shares of columns and rows and stays, until recentred or the end."""

    first: int
    last: int
    x: float
    y: float
    told: bool  # whether the mount knows and the header says so


@dataclass(frozen=True, slots=True)
class Optics:
    """Optics out of order for a night: the same way in every frame."""

    tilt: float = 0.0  # added to the rig's: width from one side to the other
    axis_ratio: float = 1.0  # pinched glass stretches all stars alike
    angle_deg: float = 60.0
    corner_flattening: float = 0.0  # added to the rig's: stretches at the corners, as coma does


@dataclass(frozen=True, slots=True, kw_only=True)
class Script:
    """What is planned for one night and what goes wrong; light frames are numbered from 0."""

    name: str
    kind: str
    half: str  # tune, held-out or unseen
    rig: str
    evening: str
    blocks: tuple[Block, ...]
    start_ha_h: float | None = None  # hour angle of the first target when the run begins
    start_utc: str | None = None  # time of day, where the hour angle does not say
    seeing: float = 1.0  # against the rig's usual
    wander: float = 0.085  # of the width, one standard deviation
    wander_most: float = 0.2
    spells: tuple[Spell, ...] = ()
    air_c: tuple[float, float] = (12.0, 5.0)  # at the start, and how far it falls
    town: bool = True  # cloud throws light back; far from towns it makes the sky darker
    zero_known: bool = True
    dithered: bool = True
    trails: Mapping[int, float] = field(default_factory=dict)  # lengths over the clean width
    doubled: Mapping[int, float] = field(default_factory=dict)
    defocus: Mapping[int, float] = field(default_factory=dict)  # single frames, times the width
    drifts: tuple[Drift, ...] = ()
    clouds: tuple[Cloud, ...] = ()
    lamps: tuple[Lamp, ...] = ()
    trees: tuple[Tree, ...] = ()
    dew: Dew | None = None
    jump: Jump | None = None
    lost: tuple[int, int] | None = None  # frames on a wrong field
    lost_told: bool = False
    capped: tuple[int, int] | None = None
    glitches: Mapping[int, Glitch] = field(default_factory=dict)
    satellites: tuple[int, ...] = ()
    pause: tuple[int, float] | None = None  # before this frame, minutes
    warm: tuple[int, int, float] | None = None  # frames and the most the sensor warms up
    missing: tuple[str, ...] = ()  # header keywords left out
    optics: Optics = Optics()
    small: bool = False  # the smaller camera
    from_dusk_min: float | None = None  # minutes from the end of dusk to the first frame
    trail_deg: float = 14.0
    gusty: bool = False  # trails point anywhere, as wind shakes
    all_trails: float = 0.0  # over the clean width, in every frame
    all_defocus: float = 1.0  # times the width, in every frame
    haze: float = 1.0  # what is left of the light in every frame
    plateau: Plateau | None = None
    cirrus: Cirrus | None = None
    turn: Turn | None = None
    dither_every: int = 1
    filter_widths: Mapping[str, float] = field(default_factory=dict)  # glass is not perfect
    subfolder: str = ""

    @property
    def folder(self) -> str:
        """Name the night's folder without giving away what happens in it."""
        return self.subfolder or f"{self.evening}-{self.rig}"

    @property
    def frames(self) -> int:
        """Count the light frames."""
        return sum(block.frames for block in self.blocks)

    def drift_end(self, drift: Drift) -> int:
        """Give the first frame after a drift."""
        return self.frames if drift.refocus is None else drift.refocus

    def drift_at(self, number: int) -> Drift | None:
        """Find the drift a frame lies in."""
        return next((d for d in self.drifts if d.stuck <= number < self.drift_end(d)), None)

    def cloud_left(self, number: int) -> float:
        """Give what cloud, haze and a veil leave of the starlight."""
        passages = (
            1.0 - c.depth * math.exp(-0.5 * ((number - c.middle) / c.width) ** 2)
            for c in self.clouds
        )
        return self.haze * self._veil(number) * math.prod(passages)

    def _veil(self, number: int) -> float:
        veil = self.cirrus
        if veil is None or not veil.first <= number <= veil.last:
            return 1.0
        middle, half = (veil.least + veil.most) / 2, (veil.most - veil.least) / 2
        return 1.0 - middle - half * math.sin(0.9 * (number - veil.first))

    def plateau_left(self, number: int) -> float:
        """Give what is left of the light on a plateau."""
        plateau = self.plateau
        on = plateau is not None and plateau.first <= number <= plateau.last
        return plateau.left if plateau is not None and on else 1.0

    def dew_light(self, number: int) -> float:
        """Give what dew leaves of all light, halos and core together."""
        left = self.dew_left(number)
        return left if self.dew is not None and self.dew.halo is not None else 0.4 + 0.6 * left

    def dew_halo(self, number: int) -> float:
        """Give the share of the light that dew throws into halos."""
        halo = 0.6 if self.dew is None or self.dew.halo is None else self.dew.halo
        return halo * (1.0 - self.dew_left(number))

    def trail(self, number: int) -> float:
        """Give a frame's trail over the clean width."""
        return self.trails.get(number, self.all_trails)

    def turned_deg(self, number: int) -> float:
        """Give by how much the camera has turned."""
        return self.turn.degrees if self.turn is not None and number >= self.turn.frame else 0.0

    def spell(self, number: int) -> float:
        """Give how many times wider poor seeing makes the seeing's part."""
        return math.prod(x.factor for x in self.spells if x.first <= number <= x.last)

    def lamp(self, number: int) -> float:
        """Give how many times brighter lamps make the sky."""
        return math.prod(x.factor for x in self.lamps if x.first <= number <= x.last)

    def dew_left(self, number: int) -> float:
        """Give what dew leaves of the light in the star's core."""
        dew = self.dew
        if dew is None or not dew.first <= number <= dew.last:
            return 1.0
        return 1.0 - (1.0 - dew.left) * (number - dew.first + 1) / (dew.last - dew.first + 1)

    def tree_at(self, number: int) -> tuple[Tree | None, float]:
        """Give what stands before the field, and how much of it is covered."""
        for tree in self.trees:
            if tree.first <= number <= tree.last:
                along = (number - tree.first) / max(tree.last - tree.first, 1)
                return tree, tree.cover[0] + along * (tree.cover[1] - tree.cover[0])
        return None, 0.0

    def jumped(self, number: int) -> tuple[float, float]:
        """Give by which shares of columns and rows a frame is off its place."""
        jump = self.jump
        if jump is None or not jump.first <= number <= jump.last:
            return 0.0, 0.0
        return jump.x, jump.y

    def is_lost(self, number: int) -> bool:
        """Tell whether a frame shows a wrong field."""
        return _within(self.lost, number)

    def is_capped(self, number: int) -> bool:
        """Tell whether the cap is on."""
        return _within(self.capped, number)

    def warm_c(self, number: int) -> float:
        """Give how much warmer than wanted the sensor is."""
        if self.warm is None or not _within(self.warm[:2], number):
            return 0.0
        first, last, most = self.warm
        return most * min(1.0, (number - first + 1) / max((last - first) / 3, 1))


def _within(span: tuple[int, int] | None, number: int) -> bool:
    return span is not None and span[0] <= number <= span[1]
