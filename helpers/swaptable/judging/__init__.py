"""What amounts mean for an audience: targets, limits, claims, cautions."""
