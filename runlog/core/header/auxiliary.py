"""Frames of a run that claim to be lights but only served focusing, plate solving or centring.

Decidable only against the run: such frames are short, binned or cropped, or the focuser steps
between them. All limits are common practice, no source. In doubt a frame stays a light.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

# A solve or centring frame needs no more; binned or cropped at this length nothing is a light.
_VERY_SHORT_S = 15.0
_SHORT_S = 60.0
_SET_OF = 5  # a length taken this often, focuser at rest, full frame, is an exposure set
_IN_A_ROW = 3  # as is one taken this often in a row: the short end of a high-range set
_SCAN_OF = 5
_CROPPED = 0.6  # share of the sensor's area
_LEAST_STEP = 5.0  # focuser steps; smaller ones are temperature compensation
_EVEN_STEPS = 0.2


@dataclass(frozen=True, slots=True)
class AuxCandidate:
    """What tells a real light frame from an auxiliary one; width and height as stored."""

    exposure_s: float | None
    binning: int
    width: int
    height: int
    focus_pos: float | None = None

    @property
    def covered(self) -> int:
        """Area of sensor used, in unbinned photosites."""
        return self.width * self.height * self.binning**2


def auxiliary_reasons(frames: Sequence[AuxCandidate]) -> dict[int, str]:
    """Say which claimed lights of one run are not, and why.

    Parameters
    ----------
    frames : sequence of AuxCandidate
        The run's frames that claim to be lights, in order of time.

    Returns
    -------
    dict of int to str
        Index of each frame that is not a real light, with the reason in words. A length taken five
        times or more with the focuser at rest and the whole sensor is an exposure set, and so are
        three of a length in a row: neither is ever named.
    """
    known = [i for i, frame in enumerate(frames) if frame.exposure_s and frame.exposure_s > 0]
    if not known:
        return {}
    run = _Run(frames, known)
    reasons = run.focus_scans()
    for i in known:
        reason = None if i in reasons else run.why_not_a_light(i)
        if reason is not None:
            reasons[i] = reason
    return dict(sorted(reasons.items()))


class _Run:
    """The run's usual length, binning and size, and how often each setting was used."""

    def __init__(self, frames: Sequence[AuxCandidate], known: list[int]) -> None:
        self.frames, self.known = frames, known
        self.counts = Counter(self._setting(i) for i in known)
        self.rows = self._lengths_of_rows()
        open_s: defaultdict[int, float] = defaultdict(float)
        for i in known:
            open_s[frames[i].binning] += self._length_s(i)
        self.binning = max(open_s, key=lambda b: (open_s[b], -b))
        self.main_s = self._main_length_s()
        self.covered = max(frames[i].covered for i in known)

    def _length_s(self, i: int) -> float:
        return self.frames[i].exposure_s or 0.0

    def _setting(self, i: int) -> tuple[float, int, int, int]:
        frame = self.frames[i]
        return round(self._length_s(i), 1), frame.binning, frame.width, frame.height

    def _main_length_s(self) -> float:
        """Give the length at which half of the open-shutter time is reached."""
        lengths = sorted(self._length_s(i) for i in self.known)
        half, passed = sum(lengths) / 2, 0.0
        for length_s in lengths:
            passed += length_s
            if passed >= half:
                return length_s
        return lengths[-1]

    def _lengths_of_rows(self) -> dict[int, int]:
        """Give for each frame how many of its setting follow one another around it."""
        rows: dict[int, int] = {}
        row: list[int] = []
        for i in self.known:
            if row and self._setting(row[-1]) != self._setting(i):
                rows.update(dict.fromkeys(row, len(row)))
                row = []
            row.append(i)
        rows.update(dict.fromkeys(row, len(row)))
        return rows

    # --- short, binned, cropped ----------------------------------------------------------------

    def why_not_a_light(self, i: int) -> str | None:
        frame, length_s = self.frames[i], self._length_s(i)
        if length_s > min(_SHORT_S, self.main_s / 5):
            return None
        odd = self._odd_form(frame)
        if odd and (length_s <= min(_VERY_SHORT_S, self.main_s / 10) or not self._is_set(i)):
            return (
                f"{length_s:g} s {odd} while the run's lights are {self.main_s:g} s at bin "
                f"{self.binning}"
            )
        if odd or self._is_set(i) or length_s > min(_VERY_SHORT_S, self.main_s / 10):
            return None
        times = self.counts[self._setting(i)]
        return (
            f"{length_s:g} s, taken {times} time{'s' if times > 1 else ''}, while the run's "
            f"lights are {self.main_s:g} s"
        )

    def _odd_form(self, frame: AuxCandidate) -> str:
        if frame.binning > self.binning:
            return f"at bin {frame.binning}"
        share = frame.covered / self.covered
        return f"on {share:.0%} of the sensor" if share < _CROPPED else ""

    def _is_set(self, i: int) -> bool:
        full = self.frames[i].covered >= _CROPPED * self.covered
        return full and (self.counts[self._setting(i)] >= _SET_OF or self.rows[i] >= _IN_A_ROW)

    # --- stepping focuser ----------------------------------------------------------------------

    def focus_scans(self) -> dict[int, str]:
        """Find rows of five or more short frames between which the focuser steps every time."""
        reasons: dict[int, str] = {}
        usual = self._usual_step()
        for row in self._stepping_rows():
            if len(row) >= _SCAN_OF and self._is_scan(row, usual):
                text = (
                    f"the focuser steps from frame to frame over {len(row)} frames of "
                    f"{self._length_s(row[0]):g} s"
                )
                reasons.update(dict.fromkeys(row, text))
        return reasons

    def _stepping_rows(self) -> list[list[int]]:
        rows: list[list[int]] = []
        for i in self.known:
            if self._length_s(i) > _SHORT_S or self.frames[i].focus_pos is None:
                rows.append([])
                continue
            last = rows[-1][-1] if rows and rows[-1] else None
            if last is not None and self._steps(last, i):
                rows[-1].append(i)
            else:
                rows.append([i])
        return rows

    def _steps(self, i: int, j: int) -> bool:
        return self._setting(i) == self._setting(j) and self._step(i, j) >= _LEAST_STEP

    def _step(self, i: int, j: int) -> float:
        a, b = self.frames[i].focus_pos, self.frames[j].focus_pos
        return 0.0 if a is None or b is None else abs(b - a)

    def _usual_step(self) -> float:
        """Give the median step between the run's long frames, where the focuser moved at all."""
        long = [i for i in self.known if self._length_s(i) > min(_SHORT_S, self.main_s / 3)]
        steps = [step for i, j in pairwise(long) if (step := self._step(i, j)) > 0]
        return median(steps) if steps else 0.0

    def _is_scan(self, row: list[int], usual: float) -> bool:
        """Tell a focus scan from lights whose focuser follows the temperature."""
        steps = [self._step(i, j) for i, j in pairwise(row)]
        middle = median(steps)
        if self._length_s(row[0]) < self.main_s / 3:
            return middle > 3 * usual
        # As long as the lights themselves: only even steps, which temperature does not make.
        even = sum(abs(step - middle) <= _EVEN_STEPS * middle for step in steps)
        return even >= 0.8 * len(steps) and middle > 3 * _LEAST_STEP
