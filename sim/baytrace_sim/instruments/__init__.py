"""Instruments that speak their real protocols on real wires, each asking the same readings."""
