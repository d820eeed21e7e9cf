"""Pure computation: no Django, no database, micrometres and millimetres only."""
