"""Compile a recipe, convolve takes with it, run batches, remember what is done."""
