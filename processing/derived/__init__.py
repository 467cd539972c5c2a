"""What several steps derive from the same layers, and each decision about a lawn, once."""
