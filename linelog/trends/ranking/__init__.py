"""Rates of the machines held against one another, so that chance on few cans does not make a bad machine."""
