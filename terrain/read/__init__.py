"""Files of points and poses, one module a format."""
