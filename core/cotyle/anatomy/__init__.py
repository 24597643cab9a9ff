"""Bones, landmarks, the frames of the pelvis and the native socket."""
