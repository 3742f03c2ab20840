"""Whole collections of recipes, such as a national survey."""
