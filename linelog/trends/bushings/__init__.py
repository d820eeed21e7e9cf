"""The life of a machine's bushings: fitted, strokes, clearance, and the day on which the wear limit is expected."""
