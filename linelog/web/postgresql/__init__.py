"""Django's own engine for PostgreSQL, which asks less often whether the server is there."""
