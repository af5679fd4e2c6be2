"""Sessions, traces, packs, signing, verifying and reports."""
