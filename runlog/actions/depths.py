"""The depth that frames reached, and what a run offers as a reference of effective time."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

from sqlalchemy import Connection

from runlog.actions.light_bases import Based, LightBases
from runlog.actions.matcher import Matcher
from runlog.core.frame import FaultName, Frame, Judgement, Lacks
from runlog.core.grading.own_run import NOT_WHOLE, spoilt
from runlog.core.grading.policy import Policy
from runlog.core.grading.run_usual import RunUsual
from runlog.core.ledger.effective_time import Depth, depth, lacks, sky_depth_of
from runlog.core.ledger.run_depth import RunDepth, RunLight, run_depths, run_lights
from runlog.core.sky.daylight import sky_as_known
from runlog.core.sky.moonlight import moonlight_of

Spoilt = Mapping[str, frozenset[FaultName]]
NONE: frozenset[FaultName] = frozenset()


@dataclass(frozen=True, slots=True)
class RunsDepth:
    """What a run offers as a reference, and what its kept frames add up to."""

    skies: Sequence[RunDepth]
    lights: Sequence[RunLight]


class Depths:
    """Reckons the depth of frames, each in the light of its base."""

    def __init__(self, matcher: Matcher) -> None:
        self.bases = LightBases(matcher)

    def of_run(
        self,
        connection: Connection,
        rig_id: int,
        frames: Sequence[Frame],
        policy: Policy,
        *,
        stands: bool = False,
        usual: RunUsual | None = None,
    ) -> tuple[list[Frame], RunsDepth]:
        """Give the lights among a run's frames their depth, and say what the run is worth.

        `usual` is what is usual among the lights, where that was found already. Where all `stands`
        that frames are compared with, they keep their bases.
        """
        base_of = self.bases.stored_base if stands else self.bases.base
        lights = sky_as_known([frame for frame in frames if frame.is_light])
        faults = spoilt(lights, policy, usual)
        after = [
            replace(frame, judgement=_judged(frame, faults, partial(base_of, connection, rig_id)))
            for frame in frames
        ]
        moonlight = dict(zip((f.key for f in lights), moonlight_of(lights), strict=True))
        counted = [frame for frame in after if frame.is_light]
        return after, RunsDepth(run_depths(lights, faults, moonlight), run_lights(counted, faults))


def _judged(frame: Frame, faults: Spoilt, base_of: Callable[[Frame], Based | None]) -> Judgement:
    missing, found, base = None, None, None
    if frame.is_light:
        missing = lacks(frame)
        if faults.get(frame.key, NONE) & NOT_WHOLE:
            missing = Lacks.WHOLE
        base = base_of(frame) if missing is None and frame.placement.throughput else None
        found = _depth(frame, base.light) if base else None
        missing = Lacks.STARS if missing is None and found is None else missing
    return replace(
        frame.judgement,
        depth_base=base.key if base and found else None,
        light_e_adu=found.light_e_adu if found else None,
        point_s2_adu2=found.point_s2_adu2 if found else None,
        extended_s2_arcsec2_adu2=found.extended_s2_arcsec2_adu2 if found else None,
        depth_lacks=missing,
    )


def _depth(frame: Frame, light_of_reference: float) -> Depth | None:
    """Weigh a frame; None where its stars were not found on its reference."""
    sky, light, header = sky_depth_of(frame), frame.placement.throughput, frame.header
    if sky is None or not light:
        return None
    in_base = light * light_of_reference * (header.egain_e_adu or 0.0)
    return depth(header.exposure_s or 0.0, in_base, sky)
