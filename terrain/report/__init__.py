"""A map as a report to print and to keep: one file that needs nothing else."""
