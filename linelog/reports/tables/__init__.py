"""The tables that can be taken away: one list of them, from which files and data dictionary are made alike."""
