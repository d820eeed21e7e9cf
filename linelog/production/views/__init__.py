"""The pages of counts, causes, events and uploads."""
