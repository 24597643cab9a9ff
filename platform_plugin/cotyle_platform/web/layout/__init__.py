"""The planning page's parts as templates, and what puts them together."""
