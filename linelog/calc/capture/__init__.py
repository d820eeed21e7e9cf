"""A running capture: what the ring of probes saw, stroke by stroke, and what that proves."""
