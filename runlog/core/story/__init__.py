"""The story of a night: events in time order, and a verdict for each part of the rig."""
