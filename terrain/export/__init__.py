"""A map in the formats of other programs, people's decisions included, reasons kept: one module a format."""
