"""One public module per way of talking to instruments; modules with a leading underscore only move bytes."""
