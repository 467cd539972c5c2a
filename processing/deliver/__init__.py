"""Documents of a plan: pages, sheets, quotes, stakeout files and calendars.

``documents.deliver_documents`` writes them for some parcels, as ``documents.Wishes`` say.
"""
