"""Every file that is opened or written, whole or not at all: nothing else opens one.

``gpkg`` opens vectors and writes GeoPackages, ``rasters`` opens rasters and writes GeoTIFFs; ``geoparquet`` and
``tiles`` convert other formats to what these open. ``packing`` holds rows in few bytes, ``style_encoding`` styles as
QML and SLD; ``atomic.write_whole`` writes any other file, ``digests.sha256`` is a file's hash.
"""
