"""Pure functions and fits: fluids, moisture, pressure rise, leaks, coils, air."""
