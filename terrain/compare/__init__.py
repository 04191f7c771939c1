"""What changed between two passes over one site, beyond what both passes leave uncertain."""
