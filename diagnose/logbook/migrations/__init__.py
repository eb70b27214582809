"""Numbered steps from every older form of the logbook to this one; never edited after release."""
