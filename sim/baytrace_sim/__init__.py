"""Simulated instruments on real wires, driven by one physical model of the loop, the vessel and the coils."""
