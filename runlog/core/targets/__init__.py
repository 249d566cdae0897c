"""Names and places of targets: every spelling leads to one."""
