"""The rule layer. Every public module or package here that defines WATCH is found by itself."""
