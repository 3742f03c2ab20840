"""The commands, grouped by what they work on; each module adds its own to the command line."""
