"""Signing a visit: what is signed, what is still open about it, and what had changed since it was seen."""
