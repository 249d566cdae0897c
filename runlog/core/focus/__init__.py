"""Focus: what sweeps of the focuser say of it, of temperature and of filters."""
