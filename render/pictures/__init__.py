"""Plots of what `analysis` measured.

recipe.py    the picture of a recipe, section by section; room.py its room
curves.py    what is shown, as numbers; words.py in words
layout.py    columns and sections; axes.py panels and scales; labels.py places of names; page.py pixels and files
style.py     colours, lines, type
"""
