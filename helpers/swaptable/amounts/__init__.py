"""From a recipe file to amounts on the grid of its variants, with how sure they are."""
