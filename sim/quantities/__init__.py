"""Arithmetic and words of light: units, photometry, colour, errors, files that come with the program. NumPy only."""
