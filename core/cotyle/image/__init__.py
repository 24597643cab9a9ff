"""Volumes of voxels: reading, judging, sampling and labelling them."""
