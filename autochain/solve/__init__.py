"""Bringing given settings to a loudness and a ceiling: the unknowns that are solved, and never searched."""
