"""Dry two-track takes of an acoustic guitar become finished stereo."""
