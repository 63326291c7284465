"""SQLite files on disk: recordings and logbook; capture folders in, event files out."""
