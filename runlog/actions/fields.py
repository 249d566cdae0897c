"""Which fields a name stands for, and which frame each frame is laid on."""

import hashlib
from collections import Counter
from collections.abc import Callable, Sequence
from statistics import median
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from runlog.actions.interpret import field_of_view_deg
from runlog.actions.matching import ON_ITSELF, Laid, lay_on, stored_place
from runlog.core.frame import Frame, Placement, StarList
from runlog.store.fields import Candidate

SHARED = 1 / 3  # of a frame's sky: less in common is another field
CONFIRMED = 2  # frames that show a place: one alone went astray, or its stars are no stars
ENOUGH_STARS = 30  # with so many, finding none of a field's patterns is no accident
FEW_STARS = 12  # enough where the header, too, says that it is another place
CANDIDATES = 9
TOO_BRIGHT = 1.6  # times the candidates' median: that frame had another filter in
MOST_TRIED = 12  # fields, the nearest first
NEAR = 0.5  # of the field's shorter side, by the header
MOST_STARS = 0.9  # of the frames show fewer stars than those that tell how many there are
WHOLE = 0.75  # of so many: what stands before a frame takes stars, and with the sky its noise

F32 = npt.NDArray[np.float32]
Indexes = Sequence[int]


class Home(NamedTuple):
    """The reference a frame is compared with; `laid` is None where their stars do not match."""

    at: int  # of the reference among the candidates
    past: str | None  # digest of the references that were tried before it
    laid: Laid | None
    fresh: bool  # not what is stored

    @property
    def covered(self) -> bool:
        """Tell whether the frame shows the reference's field."""
        return covers(self.laid)


class Answer(NamedTuple):
    """What is stored of a frame's field."""

    matched_to: str | None = None
    matched_past: str | None = None
    best_of_name: str | None = None
    field_runs: int | None = None

    @classmethod
    def stored(cls, placed: Placement) -> "Answer":
        """Give what is stored of a frame."""
        return cls(placed.matched_to, placed.matched_past, placed.best_of_name, placed.field_runs)


def covers(laid: Laid | None) -> bool:
    """Tell whether a frame shows the field of the frame it was laid on."""
    return laid is not None and laid.shared >= SHARED


def rank(frame: Frame) -> tuple[float, int, str]:
    """Order frames from the best one down; a fixed tie-break, so scan order changes nothing.

    Best is the highest signal to noise of the 25th brightest star.
    """
    got = frame.measurement
    noise = (got.noise_adu or 0.0) * (got.fwhm_px or 0.0)
    score = (got.ranked_flux_adu or 0.0) / noise if noise else 0.0
    return -score, -(got.stars or 0), frame.key


def ranked(frames: Sequence[Frame]) -> list[Frame]:
    """Order frames from the best one down, those that show their stars whole before all others.

    Where a black roof covers half of a frame, half of its pixels have no sky and no noise: by
    signal to noise alone it passes for the best. A frame of many stars lost has no claim to that.
    """
    stars = [frame.measurement.stars or 0 for frame in frames]
    # the lower of two: one frame full of what is no star does not tell alone
    least = WHOLE * float(np.quantile(stars, MOST_STARS, method="lower")) if stars else 0.0
    return sorted(frames, key=lambda f: ((f.measurement.stars or 0) < least, rank(f)))


class Cover:
    """The fields of one name, found by a rule over the whole set of its frames.

    The best frame is the first reference. Going down from it, a frame that lies on none of the
    references so far, by its stars, is one itself. Every frame is then laid on the nearest
    reference it shares sky with. No frame is judged by its neighbour, so there are no chains;
    what header and clock say only decides which reference is tried first.

    Answers of earlier settlings are used again as far as they hold; they save time and change
    nothing.
    """

    def __init__(
        self, candidates: Sequence[Candidate], stars_of: Callable[[Frame], StarList]
    ) -> None:
        self._frames = [candidate.frame for candidate in candidates]
        self.matches = 0  # how often two star lists were compared
        self._stars_of = stars_of
        self._near = Nearness(self._frames)
        fit = [i for i, candidate in enumerate(candidates) if candidate.fit]
        at = {frame.key: i for i, frame in enumerate(self._frames)}
        self._ranked = [at[f.key] for f in ranked([self._frames[i] for i in fit])]
        self._place = {i: n for n, i in enumerate(self._ranked)}
        self._index = {frame.key: i for i, frame in enumerate(self._frames)}
        self._before = [i for i in self._ranked if self._matched_to(i) == self._frames[i].key]
        self._tried: dict[tuple[int, int], Laid | None] = {}
        self._stars: dict[int, StarList] = {}

    def _matched_to(self, i: int) -> str | None:
        return self._frames[i].placement.matched_to

    # --- the rule

    def homes(self) -> tuple[list[int], list[Home]]:
        """Give the references, best first, and each frame's; both empty where none is fit."""
        references = self._walk()
        homes = self._homes(references)
        if len(references) > 1:
            counts = Counter(home.at for home in homes if home.covered)
            confirmed = [r for r in references if counts[r] >= CONFIRMED] or references[:1]
            if confirmed != references:
                return confirmed, self._homes(confirmed)
        return references, homes

    def _walk(self) -> list[int]:
        references: list[int] = []
        put_off: list[int] = []
        for n, i in enumerate(self._ranked):
            if self._is_covered(i, references) or not self._may_start(i, references):
                continue
            (put_off if self._is_too_bright(n) else references).append(i)
        for i in put_off:
            if not self._is_covered(i, references):
                references.append(i)
        return references

    def _is_covered(self, i: int, references: Indexes) -> bool:
        known = self._index.get(self._matched_to(i) or "")
        if known in references and known != i and covers(stored_place(self._frames[i])):
            return True
        return any(self._covers(i, r) for r in self._near.order(i, references, self._place))

    def _may_start(self, i: int, references: Indexes) -> bool:
        """Tell whether a frame that lies on no reference shows a field of its own."""
        stars = self._frames[i].measurement.stars or 0
        if not references or stars >= ENOUGH_STARS:
            return True
        side = self._side_deg(i)
        return (
            stars >= FEW_STARS
            and side is not None
            and all(side < self._near.away_deg(i, r) < np.inf for r in references)
        )

    def _side_deg(self, i: int) -> float | None:
        frame = self._frames[i]
        size = frame.identity.width, frame.identity.height
        return field_of_view_deg(*size, frame.header.arcsec_per_px)

    def _is_too_bright(self, n: int) -> bool:
        """Tell whether the stars are far brighter than in the next best: another filter was in."""
        i = self._ranked[n]
        side = self._side_deg(i)
        rates = [
            rate
            for j in self._ranked[n : n + CANDIDATES]
            if (side is None or not NEAR * side < self._near.away_deg(i, j) < np.inf)
            and (rate := self._star_rate(j))
        ]
        own = self._star_rate(i)
        return bool(own and own > TOO_BRIGHT * median(rates))

    def _star_rate(self, i: int) -> float:
        """Give the light of a frame's followed star a second; 0 where it has none."""
        frame = self._frames[i]
        return (frame.measurement.ranked_flux_adu or 0.0) / (frame.header.exposure_s or 1.0)

    # --- each frame's reference

    def _homes(self, references: Indexes) -> list[Home]:
        chosen = {r: n for n, r in enumerate(references)}
        if not references:
            return []
        return [
            self._own(i, references[: chosen[i]]) if i in chosen else self._home(i, references)
            for i in range(len(self._frames))
        ]

    def _own(self, i: int, earlier: Indexes) -> Home:
        past = self._digest(self._near.order(i, earlier, self._place))
        return Home(i, past, ON_ITSELF, self._matched_to(i) != self._frames[i].key)

    def _home(self, i: int, references: Indexes) -> Home:
        order = self._near.order(i, references, self._place)
        stored = self._stored(i, order)
        if stored is not None:
            return stored
        for n, r in enumerate(order):
            if self._covers(i, r):
                return Home(r, self._digest(order[:n]), self._laid(i, r), self._is_fresh(i, r))
        past = self._digest(order)
        found = [(laid, r) for r in order if (laid := self._laid(i, r)) is not None]
        if not found:
            return Home(order[0], past, None, True)
        laid, r = max(found, key=lambda f: f[0].shared)
        return Home(r, past, laid, self._is_fresh(i, r))

    def _stored(self, i: int, order: Indexes) -> Home | None:
        """Give the stored answer where trying anew would lead to it."""
        at = self._index.get(self._matched_to(i) or "")
        if at is None or at not in order:
            return None
        laid, past = stored_place(self._frames[i]), self._frames[i].placement.matched_past
        tried = order[: order.index(at)] if covers(laid) else order
        return Home(at, past, laid, False) if past == self._digest(tried) else None

    def _is_fresh(self, i: int, r: int) -> bool:
        return (i, r) in self._tried

    # --- one frame on another

    def _covers(self, i: int, r: int) -> bool:
        if (i, r) not in self._tried and r in self._known_not(i):
            return False
        return covers(self._laid(i, r))

    def _laid(self, i: int, r: int) -> Laid | None:
        if (i, r) in self._tried:
            return self._tried[i, r]
        frame, reference = self._frames[i], self._frames[r]
        if self._matched_to(i) == reference.key and i != r:
            stored = stored_place(frame)
            if stored is not None:
                return stored
        self.matches += 1
        laid = lay_on(reference, self._stars_at(r), frame, self._stars_of(frame))
        self._tried[i, r] = laid
        return laid

    def _known_not(self, i: int) -> Indexes:
        """List the references of before that a frame is known not to lie on."""
        past = self._frames[i].placement.matched_past
        if past is None:
            return ()
        at = self._index.get(self._matched_to(i) or "")
        if at == i:
            earlier = [r for r in self._before if self._place[r] < self._place[i]]
            tried = [self._near.order(i, earlier, self._place)]
        else:
            order = self._near.order(i, self._before, self._place)
            tried = [order] if at is None or at not in order else [order[: order.index(at)], order]
        return next((t for t in tried if self._digest(t) == past), ())

    def _stars_at(self, r: int) -> StarList:
        """Give a reference's stars, which are asked for again and again."""
        if r not in self._stars:
            self._stars[r] = self._stars_of(self._frames[r])
        return self._stars[r]

    def _digest(self, tried: Indexes) -> str | None:
        if not tried:
            return None
        keys = " ".join(self._frames[r].key for r in tried)
        return hashlib.blake2b(keys.encode(), digest_size=8).hexdigest()


class Nearness:
    """Which references to try first: the nearest by header, then by the clock, then the best."""

    def __init__(self, frames: Sequence[Frame]) -> None:
        self._headers = [frame.header for frame in frames]
        self._where: npt.NDArray[np.float64] | None = None
        self._when: npt.NDArray[np.float64] | None = None
        self._columns: dict[int, tuple[F32, F32]] = {}

    def order(self, i: int, references: Indexes, place: dict[int, int]) -> list[int]:
        """List the references worth trying for a frame, in the order of trying."""
        if len(references) < 2:
            return list(references)
        columns = [self._column(r) for r in references]
        away = np.array([c[0][i] for c in columns])
        apart = np.array([c[1][i] for c in columns])
        best = np.array([place[r] for r in references])
        return [references[n] for n in np.lexsort((best, apart, away))[:MOST_TRIED]]

    def away_deg(self, i: int, j: int) -> float:
        """Give how far two frames point from one another by their headers; nan where unknown."""
        chord = float(np.linalg.norm(self._places()[i] - self._places()[j]))
        return float(np.degrees(2 * np.arcsin(min(chord / 2, 1.0)))) if chord == chord else np.nan

    def _column(self, r: int) -> tuple[F32, F32]:
        if r not in self._columns:
            away = np.linalg.norm(self._places() - self._places()[r], axis=1)
            apart = np.abs(self._times() - self._times()[r])
            self._columns[r] = (_or_last(away), _or_last(apart))
        return self._columns[r]

    def _places(self) -> npt.NDArray[np.float64]:
        """Give unit vectors of where the headers point, shape (n, 3); nan where they are silent."""
        if self._where is None:
            deg = [(s.ra_deg, s.dec_deg) for s in self._headers]
            ra, dec = np.radians(np.array(deg, dtype=float).reshape(-1, 2).T)
            across = np.cos(dec)
            self._where = np.column_stack([across * np.cos(ra), across * np.sin(ra), np.sin(dec)])
        return self._where

    def _times(self) -> npt.NDArray[np.float64]:
        if self._when is None:
            at = [s.taken_at_utc for s in self._headers]
            self._when = np.array([t.timestamp() if t else np.nan for t in at])
        return self._when


def _or_last(values: npt.NDArray[np.float64]) -> F32:
    return np.asarray(np.where(np.isnan(values), np.inf, values), dtype=np.float32)
