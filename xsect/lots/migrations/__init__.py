"""Revisions of the record store's schema, from the first to the newest."""
