"""Running captures: set-up to sums, the background work, what the pages show."""
