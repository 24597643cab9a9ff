"""The planning page in a browser: a server for one case on this machine, and what it shows."""
