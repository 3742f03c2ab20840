"""A recipe in kitchen words matched to foods."""
