"""Notebooks executed, kept up to date and recorded."""
