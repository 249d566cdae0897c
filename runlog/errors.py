"""Every error runlog raises on purpose: what happened, to what, and what to do next."""

import sys
import warnings
from enum import IntEnum


class ExitCode(IntEnum):
    """What the command tells the shell."""

    DONE = 0
    SOME_FAILED = 1
    USAGE = 2
    CANNOT_WORK = 3
    INTERRUPTED = 130


class RunlogError(Exception):
    """Base of all errors; `args` are always (what, where, cure) so that it survives pickling."""

    exit_code = ExitCode.CANNOT_WORK

    def __init__(self, what: str, where: str = "", cure: str = "") -> None:
        super().__init__(what, where, cure)
        self.what, self.where, self.cure = what, where, cure

    def __str__(self) -> str:
        where = f": {self.where}" if self.where else ""
        cure = f"\n  {self.cure}" if self.cure else ""
        return f"{self.what}{where}{cure}"


class UsageError(RunlogError):
    """The words of a command do not fit together."""

    exit_code = ExitCode.USAGE


class ConfigError(RunlogError):
    """The config file says something that cannot be followed."""


class StoreError(RunlogError):
    """The database cannot be opened, read or written."""


class DamagedError(StoreError):
    """What the database's file holds is not what was written."""


class ReadOnlyError(StoreError):
    """The database may be read but not written."""


class ConflictError(StoreError):
    """The database ended a transaction for the sake of another; done again it goes through."""


class ValueRefusedError(StoreError):
    """The database does not take one value; whatever has nothing to do with it can be stored."""


class RightsError(StoreError):
    """The database's server does not let this login do what was asked."""


class NotYoursError(ValueRefusedError):
    """What was to be written belongs to a rig that others keep; all else can be stored."""


class FrameError(RunlogError):
    """One file cannot be read as a frame; the others go on."""

    exit_code = ExitCode.SOME_FAILED


class PassingError(FrameError):
    """A file that cannot be read this time, through no fault of its own; it is tried again."""


class CrampedError(PassingError):
    """A file that needs more memory than its process may take; alone, it might be read."""

    def __init__(self, what: str = "needs more memory than there is") -> None:
        super().__init__(what)


def hush_libraries() -> None:
    """Keep what libraries warn their callers of off a person's screen; `python -W` shows it.

    Called where a process of ours begins, never by a function: tests see every warning.
    """
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
