"""The running daemon: configuration, clock, intake, supervision and alarms."""
