"""Choices with their price: a few cups for one hip, each the best in one respect, within limits that the user sets."""
