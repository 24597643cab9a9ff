"""What the module is made of; nothing here needs a window."""
