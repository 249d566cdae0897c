"""Star lists of two frames: which stars are the same, and what follows from it."""
