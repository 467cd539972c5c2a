"""Open data made a site: map extracts, point clouds, vector files and rasters.

``sources.sources`` tells apart what somebody brings, ``site_folder.gather`` makes a site of it, and
``site_folder.bounds_of`` says where a file lies. ``map_tags.tag_text`` is the table of a map's tags.
"""
