"""The same ring again: known by its own wood, so that its joints keep their numbers."""
