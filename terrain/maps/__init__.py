"""The map as a folder: written in one step, opened without reading it, asked, and drawn."""
