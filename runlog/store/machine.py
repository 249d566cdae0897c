"""Which machine this is: the one whose folders the paths of files are told by."""

import os
import platform

from sqlalchemy import Connection

MACHINE_VARIABLE = "RUNLOG_MACHINE"
MACHINE = "runlog_machine"  # an execution option: each engine belongs to one machine


def this_machine() -> str:
    """Give the name of this machine: RUNLOG_MACHINE, else its host name."""
    return os.environ.get(MACHINE_VARIABLE) or platform.node() or "this machine"


def machine_of(connection: Connection) -> str:
    """Give the machine that a connection was opened for."""
    return str(connection.get_execution_options()[MACHINE])
