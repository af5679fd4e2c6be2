"""The durable local store; the only source of truth."""
