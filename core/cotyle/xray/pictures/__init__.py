"""Real X-ray pictures: read, brought to one polarity, their field, scale and what is known of the machine."""
