"""The HTTP API and the live stream."""
