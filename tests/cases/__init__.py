"""Situations that records, notebooks and quotes must stand, one folder each, and the tests that hold them."""
