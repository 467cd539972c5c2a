"""A raster of any size, block by block: slopes, and cover from the air."""
