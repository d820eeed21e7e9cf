"""Problems that come back: found by a rule, kept with their history, taken up by people."""
