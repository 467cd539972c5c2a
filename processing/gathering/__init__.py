"""Open data made a site: map extracts, point clouds, vector files and rasters."""
