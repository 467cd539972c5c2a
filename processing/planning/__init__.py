"""Many parcels planned by many workers: tasks, limits, what is kept, and the file in the end."""
