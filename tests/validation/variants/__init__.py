"""Hard subjects by domain; each module holds its own ``TRIALS``."""
