"""Artificial hips in a scan: cups, heads, cut necks, and the bone seen behind them."""
