"""Pure arithmetic of what a path can carry at most, and of what binds a case. No I/O, no clock."""
