"""Pneumatics of the workstation: pure functions on arrays, SI inside."""
