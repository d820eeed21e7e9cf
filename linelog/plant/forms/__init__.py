"""Forms of the set-up pages: what is typed becomes um and mm here, and doubtful numbers are asked about."""
