"""Plots of what `analysis` measured."""
