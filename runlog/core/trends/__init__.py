"""The rig over months: series of one number a run, their trends and steps."""
