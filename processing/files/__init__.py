"""Every file that is opened or written, whole or not at all: nothing else opens one.

``gpkg`` opens vectors and writes GeoPackages, ``rasters`` opens rasters and writes GeoTIFFs; ``geoparquet`` and
``tiles`` convert other formats to what these open. ``plan_reader.plan_file`` opens a plan, or another of the
``file_kinds`` that this program writes, to read rows of some parcels. ``packing`` holds rows in few bytes,
``style_encoding`` styles as QML and SLD; ``atomic.write_whole`` writes any other file, ``digests.sha256`` is a file's
hash. ``locking.alone_in`` keeps a second run out of a folder, ``csv_tables`` is the one writer of
CSV.
"""
