"""Units, channels, readings, accuracy and uncertainty. Imports nothing of ours."""
