"""Is the sensor right: scans of surfaces whose shape is known, against what they should have been."""
