"""One rig's night: where and when it is, and what the rig may do in it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime

from runlog.actions.plan_knowledge import RigAtWork, exposure_for, knowledge_of
from runlog.core.plan.frames_fit import Turn
from runlog.core.plan.night import NightPlan, plan_night
from runlog.core.plan.season import Place
from runlog.core.plan.sky_grid import Skies
from runlog.core.plan.wanted import Action, Setting, Wanted
from runlog.core.sky.sidereal import days_since_j2000
from runlog.core.times import Zone


@dataclass(frozen=True)
class RigNight:
    """A rig and the night that comes next where it stands."""

    rig: RigAtWork
    night: date
    noon: datetime
    zone: Zone  # of its site
    until: datetime | None = None  # when it is to stop
    skies: Skies = field(default_factory=Skies, compare=False, repr=False)

    def plan(
        self, wanted: Sequence[Wanted], places: Mapping[str, Place], busy: tuple[Turn, ...] = ()
    ) -> NightPlan:
        """Plan goals in the time that the rig is not busy."""
        actions = actions_for(self.rig, wanted)
        setting = setting_of(self.rig, actions, self.noon, self.until)
        return plan_night(replace(setting, busy=busy, skies=self.skies), wanted, actions, places)


def setting_of(
    rig: RigAtWork, actions: Iterable[Action], noon: datetime, until: datetime | None = None
) -> Setting:
    """Gather what a rig's nights are planned by."""
    assert rig.site is not None
    return Setting(
        site=rig.site,
        noon=days_since_j2000(noon),
        limits=rig.settings.plan,
        known=knowledge_of(rig, [a.filter for a in actions]),
        until=None if until is None else days_since_j2000(until),
        bands=frozenset(rig.settings.bands),
    )


def actions_for(rig: RigAtWork, wanted: Sequence[Wanted]) -> list[Action]:
    """List what serves goals: each through its own filter, and through dual bands in use."""
    numbers = {(w.target, w.filter): i for i, w in enumerate(wanted)}
    used = {light.filter for light in rig.log}
    serving: dict[tuple[str, str], set[int]] = {}
    for (target, name), i in numbers.items():
        serving.setdefault((target, name), set()).add(i)
        for dual, passed in rig.settings.bands.items():
            if name in passed and dual in used:
                serving.setdefault((target, dual), set()).add(i)
    duals = {d for d in rig.settings.bands if d in used}
    # A rig with a dual band and no filter of the line itself takes the line through the dual band.
    lines = {line for dual in duals for line in rig.settings.bands[dual]}
    return [
        Action(target, name, *exposure_for(rig.log, target, name), tuple(sorted(serves)))
        for (target, name), serves in sorted(serving.items())
        if name in used or name not in lines
    ]
