"""Every file that is opened or written, whole or not at all: nothing else opens one.

``formats`` says which kinds of files are opened, by ending and content, and opens each alone. ``gpkg`` opens vectors
and writes GeoPackages, ``rasters`` opens rasters and writes GeoTIFFs; ``tiles`` ties rasters together.
``remote.Server`` is the one door to the network, to an address that was typed.
``point_clouds.cloud_chunks`` reads a point cloud chunk by chunk, and a ``point_clouds.CellStore`` keeps what is summed
of it in cells.
``city_models.city_buildings`` reads where buildings of CityJSON files stand, and how high they are.
``plan_reader.plan_file`` opens a plan, or another of the ``file_kinds`` that this program writes, to read rows of some
parcels. ``packing`` holds rows in few bytes, ``style_encoding`` styles as QML and SLD, ``project_encoding`` a plan's
project for a desktop GIS; ``atomic.write_whole`` writes any other file, ``digests.sha256`` is a file's hash.
``locking.alone_in`` keeps a second run out of a folder, ``csv_tables`` is the one writer of
CSV.
"""
