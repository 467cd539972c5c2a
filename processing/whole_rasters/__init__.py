"""A raster of any size, block by block: slopes, and cover from the air.

``slope.write_slope`` writes the slope of a DEM, as a ``slope.SlopeRecipe`` says; ``cover.write_cover`` the ground cover
and trees of an image, in ``cover_layers.COVER_LAYERS``.
"""
