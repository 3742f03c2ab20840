"""Recipes from pages and sheets, and computed recipes to other programs."""
