"""Core objects as nodes of the platform's scene and back; the only place that knows the scene's axes."""
