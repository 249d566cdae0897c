"""Tests of what frames are worth."""
