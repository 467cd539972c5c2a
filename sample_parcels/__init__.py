"""The sample site: an invented neighbourhood of 12 parcels, and the script that makes it."""
