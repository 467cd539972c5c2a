"""Geometry of lines and polygons in metres of the measuring frame."""
