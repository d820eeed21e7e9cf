"""What leaves the program: tables to take away, and reports on paper. Reads everything, writes nothing."""
