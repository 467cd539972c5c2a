"""lawngis in three lines of Python: a site, plans of its parcels, the slope of a raster, as a notebook shows them.

The package's own door opens this room when somebody asks for it: ``opened_site.open_site`` gives an
``opened_site.OpenedSite``, whose plans are each an ``opened_plan.OpenedPlan``; ``slope_raster.slope`` gives a
``slope_raster.SlopeRaster``. All of it runs what the command line runs.
"""
