"""A site put together from files: which there are, what is in them, one parcel at a time in its measuring frame."""
