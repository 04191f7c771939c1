"""An invented dry dock, an invented walk through it with a lidar, and the exact truth about both."""
