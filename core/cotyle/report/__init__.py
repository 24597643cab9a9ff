"""The report: figures, the page, its PDF, meshes and pictures for other systems."""
