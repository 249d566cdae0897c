"""How right the measurement is, against GalSim truth: `python -m tests.bench.accuracy`."""
