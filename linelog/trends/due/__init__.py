"""When a machine is due: the risk that grows with its strokes, the time limit, and what makes it due at once."""
