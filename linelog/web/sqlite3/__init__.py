"""Django's own engine for SQLite, in which writers stand in one queue."""
