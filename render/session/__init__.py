"""Folders of takes: which files belong together."""
