"""The C-arm: geometry, attenuation, simulated views and what is drawn on them."""
