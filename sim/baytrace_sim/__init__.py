"""Simulated loop, vessel, coils and the instruments that measure them, on real wires."""
