"""A first recipe for one guitar, measured from its own takes.

takes -> gather -> plan -> (fresh | like) -> text and picture
"""
