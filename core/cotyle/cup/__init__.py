"""The planned cup: orientation, wall, coverage, reaming, press-fit and the shift of the hip centre."""
