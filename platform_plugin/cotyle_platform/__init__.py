"""Adapters of the core to the imaging platform: thin, without a formula of their own."""
