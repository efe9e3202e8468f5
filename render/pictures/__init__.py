"""Plots of what `analysis` measured.

take.py      the picture of a take: take_levels.py, take_spectra.py, take_likeness.py; its numbers in take_curves.py
suggestion.py before and after of a suggested recipe; suggestion_marks.py what is marked on it
recipe.py    the picture of a recipe, section by section; room.py its room
curves.py    what is shown, as numbers; words.py in words
layout.py    columns and sections; axes.py panels and scales; marks.py what is marked on them;
             labels.py places of names; page.py pixels and files
style.py     colours, lines, type
"""
