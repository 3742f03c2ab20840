"""What every other room stands on: errors, files, locks, units, phrases."""
