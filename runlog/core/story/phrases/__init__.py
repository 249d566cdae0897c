"""Every sentence of a night, made once: functions of values; the rules decide what is said.

A module a part of the rig: `mount`, `focus`, `camera`, `sky`, `schedule`; `events` for what
happened, `common` for what all of them say, `report` for the lines around them.
"""
