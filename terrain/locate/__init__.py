"""Where a new pass or a single scan lies in the frame of a map; a joiner, as the pipeline is."""
