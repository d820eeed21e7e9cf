"""Severity of misalignment against rates: what is read, how it is worked out and stored, how it is shown and said."""
