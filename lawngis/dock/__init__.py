"""The dock: where it goes and how it is supplied."""
