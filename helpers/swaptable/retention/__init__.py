"""Retention factors estimated from foods measured raw and cooked, and how good that is."""
