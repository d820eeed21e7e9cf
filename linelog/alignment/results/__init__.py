"""How stations stand: one answer for every page."""
