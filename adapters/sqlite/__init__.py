"""The SQLite store."""
