"""Files, layers and steps around the lawngis library."""
