"""Comparing recipes: excerpts of every take in every version, at one loudness, as a listening page."""
