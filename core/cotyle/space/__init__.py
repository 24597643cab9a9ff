"""Frames, rotations, shapes, fits and surfaces: geometry that knows nothing of images or patients."""
