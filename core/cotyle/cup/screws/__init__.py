"""Screws through the shell: quadrants of the socket, the bone a screw meets, and how far it may go."""
