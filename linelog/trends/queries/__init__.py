"""What the pages read, each in a fixed number of queries."""
