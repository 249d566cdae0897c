"""Which machine a connection was opened for."""

from sqlalchemy import Connection

MACHINE = "runlog_machine"  # an execution option: each engine belongs to one machine


def machine_of(connection: Connection) -> str:
    """Give the machine that a connection was opened for."""
    return str(connection.get_execution_options()[MACHINE])
