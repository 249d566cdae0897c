"""Small tables of the sky: catalogue numbers, positions and nicknames."""
