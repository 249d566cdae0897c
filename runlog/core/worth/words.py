"""What is advised of a picture's frames, in one sentence."""

from collections import Counter
from collections.abc import Iterator, Sequence

from runlog.core.columns import change, hours, plural
from runlog.core.frame import Frame, Grade
from runlog.core.ledger.effective_time import DepthForm
from runlog.core.worth.advice import UNTOLD, Advice, Asked, Effect, Judged
from runlog.core.worth.judge import Frames
from runlog.core.worth.stack import Weights


def effect_words(effect: Effect, form: DepthForm) -> str:
    """Say what becomes of depth and width; more depth is better, more width is not."""
    width = "unknown" if effect.width is None else change(effect.width)
    of_stars = form is DepthForm.POINT and effect.stars is not None
    of = " of stars" if of_stars else ""
    return f"depth{of} {change(effect.gain(form))}, width {width}"


def keeping_words(frames: Frames, wanted: Sequence[Frame]) -> str:
    """Say in a line what keeping some frames does to the picture of all that are kept like them."""
    effect = frames.keeping({frame.key for frame in wanted})
    all_of = f" all {len(wanted)}" if len(wanted) > 1 else ""
    if isinstance(effect, str):
        return f"keep{all_of}: unknown, because {effect}"
    faults = {fault.name for frame in wanted for fault in frame.judgement.faults}
    untold = ", ".join(sorted(name.value for name in faults.intersection(UNTOLD)))
    but = f"; these numbers do not tell of {untold}" if untold else ""
    return f"keep{all_of}: {effect_words(effect, frames.form)}{but}"


def advice_words(asked: Asked, *, name_rig: bool = False) -> str:
    """Say what to do with the frames of one picture, and what that does to it."""
    rig = f" with {asked.rig}" if name_rig else ""
    return f"{asked.target} {asked.filter}{rig}, {_made_of(asked)}: {'; '.join(_parts(asked))}"


def _made_of(asked: Asked) -> str:
    weights = ", best weights" if asked.weights is Weights.BEST else ""
    left = f" and {asked.left_out} of unknown light" if asked.left_out else ""
    return f"{plural(asked.kept, 'kept frame')}{left}{weights}"


def _parts(asked: Asked) -> Iterator[str]:
    known = [one for one in asked.judged if one.advice is not Advice.UNKNOWN]
    doubtful = _of(known, Grade.DOUBTFUL)
    others = [one for one in known if one not in doubtful]
    yield from _keep([one for one in doubtful if one.advice is not Advice.LOOK], "doubtful")
    yield from _keep(others, "asked about") if _are_not_kept(others) else _kept(others)
    if asked.together is not None:
        yield effect_words(asked.together, asked.form)
    if doubtful:
        yield f"leaving out all that are doubtful costs {hours(_time_s(doubtful))} of exposure"
    yield from _rest(asked)


def _of(judged: list[Judged], grade: Grade) -> list[Judged]:
    return [one for one in judged if one.frame.judgement.grade is grade]


def _are_not_kept(judged: list[Judged]) -> bool:
    return any(one.frame.judgement.grade is not Grade.KEEP for one in judged)


def _keep(judged: list[Judged], which: str) -> Iterator[str]:
    if judged:
        count = sum(one.advice is Advice.KEEP for one in judged)
        yield f"keep {count or 'none'} of {len(judged)} {which}"


def _kept(judged: list[Judged]) -> Iterator[str]:
    count, among = sum(one.advice is Advice.DROP for one in judged), len(judged)
    if count:
        yield f"drop {count} of {among} kept that {'brings' if among == 1 else 'bring'} little"
    elif judged:
        which = "one that brings" if among == 1 else f"{among} that bring"
        yield f"keep the {which} little as well"


def _time_s(judged: list[Judged]) -> float:
    return sum(one.frame.header.exposure_s or 0.0 for one in judged)


def _rest(asked: Asked) -> Iterator[str]:
    if either := asked.advised(Advice.EITHER):
        yield f"{len(either)} {'make' if len(either) > 1 else 'makes'} no difference either way"
    if look := asked.advised(Advice.LOOK):
        effect = f"; with them {effect_words(asked.looked, asked.form)}" if asked.looked else ""
        yield f"look at {len(look)} ({_faults(look)}; these numbers do not tell of that){effect}"
    reasons = Counter(one.why for one in asked.judged if one.advice is Advice.UNKNOWN)
    for why, count in sorted(reasons.items()):
        yield f"unknown of {plural(count, 'frame')}, because {why}"


def _faults(frames: list[Frame]) -> str:
    return ", ".join(sorted({fault.name.value for f in frames for fault in f.judgement.faults}))
