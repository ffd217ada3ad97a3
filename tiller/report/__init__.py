"""Plots, overlays, tables, export."""
