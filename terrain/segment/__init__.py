"""Planar patches: voxels and planes, masks and joints, slabs, outlines."""
