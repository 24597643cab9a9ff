"""How the pelvis lies to the beam, and the moves of picture, table and C-arm that bring it where it is wanted."""
