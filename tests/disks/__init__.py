"""Trouble with disks and databases, drawn with a seed: what must hold after each."""
