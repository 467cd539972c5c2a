"""A plan as a person left it: read, compared with what was written, repaired, and started from."""
