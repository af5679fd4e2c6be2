"""Following a running loop: which stretch of the record to judge, which channels have settled, and the figures of it."""
