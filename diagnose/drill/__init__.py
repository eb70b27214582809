"""Drills: a machine that is broken on purpose without breaking one, and what was made of it."""
