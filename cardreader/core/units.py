"""Factors between units that a result is shown in."""

G_L_PER_G_DL = 10.0
"""Haemoglobin: grams a litre for each gram a decilitre."""
