"""The cup, or a reamer, in a real picture: its rim's ellipse, the circle in space behind it, and how sure that is."""
