"""Procedures that make a rack measure, and a new bow."""
