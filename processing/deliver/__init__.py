"""Documents of a plan: pages, sheets, quotes, stakeout files and calendars.

``documents.deliver_documents`` writes them for some parcels, as ``documents.Wishes`` say. What a notebook shows of one
parcel, which ``reading.document_source`` reads, is ``page.glance`` with its ``formats.Formats``;
``sheet_map.SHEET_LAYERS`` and ``map_picture.roomiest_place`` are for pictures of its own.
"""
