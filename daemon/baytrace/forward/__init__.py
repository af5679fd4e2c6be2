"""From the journal to a time-series server."""
