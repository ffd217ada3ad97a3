"""Drying, season and layout."""
