"""What is said of any part: shares of frames, what they cost, why something is unknown."""

from collections.abc import Iterable

from runlog.core.columns import hours, plural

NOTHING_TO_COMPARE = "nothing to compare with"
TOO_FEW_STARS = "no frame has stars enough to tell"
UNKNOWN = "unknown, "


def unknown(why: str) -> str:
    """Say that something is not known, and why."""
    return f"{UNKNOWN}because {why}"


def beside(opinion: str, evidence: str) -> str:
    """Give the evidence that stands beside a verdict's word: "unknown" is not said twice."""
    return evidence.removeprefix(UNKNOWN) if opinion == "unknown" else evidence


def of_frames(hit: int, frames: int, words: str) -> str:
    """Say how many frames something was found on: none of 5 frames trailed."""
    return f"{hit or 'none'} of {plural(frames, 'frame')} {words}"


def not_kept(lost_s: float) -> str:
    """Say what frames in trouble cost; doubtful ones are not lost yet."""
    return f", {hours(lost_s)} not kept" if lost_s else ""


def together(checks: Iterable[str]) -> str:
    """Write several things to check, or several findings, as one line."""
    return "; ".join(filter(None, checks))
