"""All kinds of fault, one a file, in the order in which they are asked for."""

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import Any

from runlog.core.frame import FaultName
from runlog.core.grading.fault_kind import FaultKind, Rule
from runlog.core.grading.faults.bright_sky import BRIGHT_SKY
from runlog.core.grading.faults.clipped import CLIPPED
from runlog.core.grading.faults.cloud import CLOUD
from runlog.core.grading.faults.defocused import DEFOCUSED
from runlog.core.grading.faults.dew import DEW
from runlog.core.grading.faults.doubled import DOUBLED
from runlog.core.grading.faults.few_stars import FEW_STARS
from runlog.core.grading.faults.obstructed import OBSTRUCTED
from runlog.core.grading.faults.off_target import OFF_TARGET
from runlog.core.grading.faults.readout import READOUT
from runlog.core.grading.faults.soft import SOFT
from runlog.core.grading.faults.streak import STREAK
from runlog.core.grading.faults.tilted import TILTED
from runlog.core.grading.faults.trailed import TRAILED
from runlog.core.grading.policy import Setting

# Of the same turn, and of the same weight, the first is named first: causes before what follows.
FAULTS: tuple[FaultKind, ...] = (
    READOUT,
    OFF_TARGET,
    DOUBLED,
    TRAILED,
    OBSTRUCTED,
    DEFOCUSED,
    SOFT,
    DEW,
    CLOUD,
    BRIGHT_SKY,
    FEW_STARS,
    CLIPPED,
    TILTED,
    STREAK,
)


def rules(*, alone: bool = False) -> tuple[Rule, ...]:
    """List the rules in the order asked; `alone` those for a frame that nothing compares with."""
    return _rules(FAULTS, alone)


@cache  # asked for each frame
def _rules(kinds: tuple[FaultKind, ...], alone: bool) -> tuple[Rule, ...]:
    every = (rule for kind in kinds for rule in kind.rules if rule.alone or not alone)
    return tuple(sorted(every, key=lambda rule: rule.turn))


def settings() -> Mapping[str, Setting[Any]]:
    """List the settings of grading by name, those that are a person's own to set last."""
    return _settings(FAULTS)


@cache  # asked for each setting, whenever a run is settled
def _settings(kinds: tuple[FaultKind, ...]) -> Mapping[str, Setting[Any]]:
    published = list(FaultName)
    in_order = sorted(kinds, key=lambda kind: published.index(kind.name))
    every = (setting for kind in in_order for setting in kind.settings)
    return MappingProxyType({setting.name: setting for setting in sorted(every, key=_is_own)})


def _is_own(setting: Setting[Any]) -> bool:
    return setting.default is None
