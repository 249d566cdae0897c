"""Which machine this is: the one whose folders the paths of files are told by."""

import os
import platform

MACHINE_VARIABLE = "RUNLOG_MACHINE"


def this_machine() -> str:
    """Give the name of this machine: RUNLOG_MACHINE, else its host name."""
    return os.environ.get(MACHINE_VARIABLE) or platform.node() or "this machine"
