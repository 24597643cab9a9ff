"""Cotyle on the open imaging platform: the scene, the planning page in a browser, a module of the desktop application."""
