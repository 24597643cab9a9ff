"""The native socket: its sphere, rim and size by every way there is to know them."""
