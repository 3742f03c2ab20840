"""What moved between two food releases or two runs, and new releases brought in."""
