"""How much of a plan stands when hand, picture, pelvis and bone edge are a little off: thousands of procedures."""
