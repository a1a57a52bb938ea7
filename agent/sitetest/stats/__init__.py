"""Pure arithmetic on results: no I/O, no clock, no global random state."""
