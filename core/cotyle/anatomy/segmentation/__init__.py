"""Bones of a scan, each with how sure its edges are."""
