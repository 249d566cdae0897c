"""The numbers asked of effective time, against the depth that each frame was drawn with."""

import re
from collections import defaultdict
from collections.abc import Sequence
from statistics import median

from .whole_bars import Bar, frame_bar, frames_of, night_bar, of
from .whole_cases import ALONE, SINGLE
from .whole_read import Night, Seen

DEAR, BESIDE = 1.3, 0.1  # times kept; how far groups of frames may lie apart
Setting = tuple[str, str, float, int]
REASON = re.compile(r"because|relative|against|reference|moonlit|so far|than", re.IGNORECASE)


def time_bars(nights: Sequence[Night]) -> list[Bar]:
    """Judge effective time."""
    binned = [(n, s) for n, s in frames_of(of(nights, SINGLE, kinds=("binned",)))
              if s.label.binning > 1]  # fmt: skip
    gain = of(nights, SINGLE, kinds=("gain",))
    unknown = [(n, s) for n, s in frames_of(gain) if "EGAIN" in n.truth.missing]
    known = [(n, s) for n, s in frames_of(gain) if "EGAIN" not in n.truth.missing]
    mixed = of(nights, SINGLE, kinds=("binned", "mixed"))
    every = of(nights, SINGLE, ALONE)
    return [
        frame_bar("binned frames kept and worth something", binned, asked=0.95,
                  ok=lambda s: s.kept and bool(s.row["effective_s"])),
        frame_bar("gain unknown: worth is null", unknown, asked=1.0,
                  ok=lambda s: s.row["effective_s"] is None),
        frame_bar("gain known, another night's not: kept frames are worth something", known,
                  asked=0.95, ok=lambda s: bool(s.row["effective_s"])),
        night_bar("gain unknown: said in words", [n for n in gain if n.truth.missing], 1.0,
                  lambda n: "" if re.search("gain", n.text) else "no word of the gain"),
        night_bar("two lengths, two binnings: worth per true depth within 10 %", mixed, 1.0,
                  _apart),
        night_bar("all other nights: worth per true depth within 10 % (median deviation)", every,
                  None, _scatter),
        night_bar("worth over 1.3 times what is kept has a reason", every, 1.0, _dear),
    ]  # fmt: skip


def _worth(seen: Seen) -> float | None:
    """Give a frame's worth a second over the depth a second that it was drawn with."""
    effective_s, rate = seen.row["effective_s"], seen.label.depth_rate
    return effective_s / seen.label.exposure_s / rate if seen.kept and effective_s else None


def _setting(seen: Seen) -> Setting:
    label = seen.label
    return label.target, label.filter, label.exposure_s, label.binning


def _groups(night: Night) -> dict[Setting, list[float]]:
    groups: dict[Setting, list[float]] = defaultdict(list)
    for seen in night.frames:
        worth = _worth(seen)
        if worth is not None:
            groups[_setting(seen)].append(worth)
    return groups


def _apart(night: Night) -> str:
    """Say by how much the frames of one setting are worth more than those of another."""
    middles = {key: median(values) for key, values in _groups(night).items()}
    settings = set(map(_setting, night.frames))
    least, most = min(middles.values(), default=0.0), max(middles.values(), default=0.0)
    if len(middles) == len(settings) and most <= (1 + BESIDE) * least:
        return ""
    return f"{len(middles)} of {len(settings)} settings have worth: " + ", ".join(
        f"{key} {value / most:.3f}" for key, value in middles.items()
    )


def _scatter(night: Night) -> str:
    """Say how far the frames of one filter lie from their middle, where it is far."""
    deviations = [
        abs(value / median(values) - 1) for values in _groups(night).values() for value in values
    ]
    middle = median(deviations) if deviations else 0.0
    return f"median deviation {middle:.3f}" if middle > BESIDE else ""


def _dear(night: Night) -> str:
    added = night.report["added"]
    kept_s = sum(row["kept_s"] for row in added)
    effective_s = sum(row["effective_s"] or 0.0 for row in added)
    if effective_s <= DEAR * kept_s:
        return ""
    lines = [line for line in night.text.splitlines() if "worth" in line or "effective" in line]
    if any(REASON.search(line) for line in lines):
        return ""
    return f"kept {kept_s / 3600:.2f} h, worth {effective_s / 3600:.2f} h: {' / '.join(lines)}"
