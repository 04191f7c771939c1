"""The sole on the ground: verdicts on placements, on every cell, and on patches."""
