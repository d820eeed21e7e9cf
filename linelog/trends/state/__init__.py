"""One state of a machine at a moment, for every page: how it stands, what is due, what to do, what that is worth."""
