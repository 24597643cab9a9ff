"""Registration: the pose of a C-arm against the bone of the CT, found from the pictures it took."""
