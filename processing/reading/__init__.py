"""A site put together from files: which there are, what is in them, one parcel at a time in its measuring frame.

``site_files.site_files`` locates them, ``site_source.SiteSource`` reads them parcel by parcel, as
``read_options.ReadOptions`` say, ``site_report.site_report`` says what is there, missing and broken.
``features.read_features`` reads one layer without parcels, ``site_settings.settings_file`` what a site says of itself,
``dates.data_dates`` when data were last changed; ``site_part`` is what is read of one parcel.
``examples.learned_from`` reads the image by pieces that somebody drew.
"""
