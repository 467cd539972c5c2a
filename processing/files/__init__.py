"""Every file that is opened or written: vectors, rasters, packed rows, and how a file takes another's place whole."""
