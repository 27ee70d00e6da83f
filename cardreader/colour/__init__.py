"""Colour as open standards define it: CIE spaces and differences, ICC profiles."""
