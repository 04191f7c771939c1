"""The main job while scans still arrive: a joiner on top of the stages, `terrain.fusing` and `terrain.pipeline`."""
