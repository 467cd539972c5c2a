"""Which mower fits which lawn, and which crew lays it when."""
