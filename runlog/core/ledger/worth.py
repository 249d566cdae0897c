"""What kept frames are worth against the references of today, and what that is said to rest on."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from math import fsum
from typing import NamedTuple

from runlog.core.frame import Frame, Lacks
from runlog.core.ledger.depth_reference import Reference
from runlog.core.ledger.effective_time import DepthForm


class Part(NamedTuple):
    """Kept frames of one rig, target, filter and base of light, added up without a reference."""

    rig_id: int
    form: str
    target: str
    filter: str
    base: str
    kept_frames: int
    kept_known_s: float
    kept_light_s_e2_adu2: float
    kept_point_s2_adu2: float
    kept_extended_s2_arcsec2_adu2: float


@dataclass(frozen=True, slots=True)
class Divisors:
    """The references that one frame or part is divided by; `References` gives each once."""

    light: Reference  # T^2
    point: Reference  # 1 / (FWHM^2 v)
    extended: Reference  # 1 / v

    def of(self, form: str) -> Reference:
        """Give that of width and sky in a form."""
        return self.extended if form == DepthForm.EXTENDED.value else self.point

    def effective_s(
        self, form: str, point_s2_adu2: float, extended_s2_arcsec2_adu2: float
    ) -> float:
        """Divide a depth by the references."""
        q = extended_s2_arcsec2_adu2 if form == DepthForm.EXTENDED.value else point_s2_adu2
        return q / (self.light.value * self.of(form).value)


@dataclass(frozen=True, slots=True)
class References:
    """All references there are today."""

    light: Mapping[tuple[int, str], Reference] = field(default_factory=dict)  # by rig and base
    point: Mapping[tuple[int, str], Reference] = field(default_factory=dict)  # by rig and filter
    extended: Mapping[tuple[int, str], Reference] = field(default_factory=dict)
    runs: Mapping[int, tuple[int, str]] = field(default_factory=dict)  # rig and form by run
    _known: dict[tuple[int, str, str], Divisors | None] = field(default_factory=dict, init=False)

    def divisors(self, rig_id: int, filter_name: str, base: str) -> Divisors | None:
        """Find what to divide by; None where no night is a reference yet."""
        key = (rig_id, filter_name, base)
        if key not in self._known:
            self._known[key] = self._divisors(*key)
        return self._known[key]

    def _divisors(self, rig_id: int, filter_name: str, base: str) -> Divisors | None:
        light = self.light.get((rig_id, base))
        point = self.point.get((rig_id, filter_name))
        extended = self.extended.get((rig_id, filter_name))
        if light is None or point is None or extended is None:
            return None
        return Divisors(light, point, extended)

    def worth_s(
        self,
        run_id: int,
        filter_name: str,
        base: str | None,
        point_s2_adu2: float | None,
        extended_s2_arcsec2_adu2: float | None,
    ) -> float | None:
        """Divide the depth of a frame; None where it is unknown, or there is no reference yet."""
        if base is None or point_s2_adu2 is None or extended_s2_arcsec2_adu2 is None:
            return None
        rig_id, form = self.runs[run_id]
        found = self.divisors(rig_id, filter_name, base)
        return found.effective_s(form, point_s2_adu2, extended_s2_arcsec2_adu2) if found else None

    def effective_s(self, frame: Frame) -> float | None:
        """Give a frame's effective time; None where its depth or what to divide by is unknown."""
        own, where = frame.judgement, frame.context
        depths = own.point_s2_adu2, own.extended_s2_arcsec2_adu2
        return self.worth_s(where.run_id, where.filter, own.depth_base, *depths)

    def form_of(self, frame: Frame) -> str:
        """Give the form a frame's effective time is reckoned in."""
        return self.runs[frame.context.run_id][1]


@dataclass(frozen=True, slots=True)
class Worth:
    """What kept frames are worth, and of which nothing is known."""

    effective_s: float | None = None
    known_s: float = 0.0  # kept time of the frames that are in it
    light_s: float = 0.0  # known time, weighted by the light alone
    dark_s: float = 0.0  # by light and sky
    lacking: Mapping[Lacks, int] = field(default_factory=dict)  # kept frames that are not in it
    no_reference: int = 0  # kept frames
    divisors: tuple[Divisors, ...] = ()  # each once

    @property
    def known(self) -> bool:
        """Tell whether it is of any frame."""
        return self.effective_s is not None


def worth_of(parts: Iterable[Part], references: References, lacking: Mapping[Lacks, int]) -> Worth:
    """Add up what parts are worth."""
    divided, no_reference = [], 0
    for part in parts:
        found = references.divisors(part.rig_id, part.filter, part.base)
        if found is None:
            no_reference += part.kept_frames
        elif part.kept_frames:
            divided.append((part, found))
    missing = {why: count for why, count in lacking.items() if count}
    if not divided:
        return Worth(lacking=missing, no_reference=no_reference)
    return Worth(
        fsum(_effective_s(part, found) for part, found in divided),
        fsum(part.kept_known_s for part, _ in divided),
        fsum(part.kept_light_s_e2_adu2 / found.light.value for part, found in divided),
        fsum(
            part.kept_extended_s2_arcsec2_adu2 / (found.light.value * found.extended.value)
            for part, found in divided
        ),
        missing,
        no_reference,
        tuple(dict.fromkeys(found for _, found in divided)),
    )


def _effective_s(part: Part, found: Divisors) -> float:
    depths = part.kept_point_s2_adu2, part.kept_extended_s2_arcsec2_adu2
    return found.effective_s(part.form, *depths)


def together(worths: Iterable[Worth]) -> Worth:
    """Add up what several targets and filters are worth."""
    every = list(worths)
    known = [one.effective_s for one in every if one.effective_s is not None]
    lacking: dict[Lacks, int] = {}
    for one in every:
        for why, count in one.lacking.items():
            lacking[why] = lacking.get(why, 0) + count
    return Worth(
        fsum(known) if known else None,
        fsum(one.known_s for one in every),
        fsum(one.light_s for one in every),
        fsum(one.dark_s for one in every),
        lacking,
        sum(one.no_reference for one in every),
        tuple(dict.fromkeys(found for one in every for found in one.divisors)),
    )
