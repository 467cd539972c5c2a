"""The ground: elevation grids, slope, cover."""
