"""Polar alignment: the axis's error by how the field turned through a night."""
