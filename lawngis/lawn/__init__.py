"""Lawns: what is lawn, its zones and its edges."""
