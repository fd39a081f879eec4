"""Players, instruments, and what is kept of a sensor."""
