"""Measurements against what is usual: a grade with its reasons."""
