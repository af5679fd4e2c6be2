"""Reports of a session for people: what is drawn, how it is worded, and the files written."""
