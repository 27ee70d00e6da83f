"""Factors between units of haemoglobin."""

G_L_PER_G_DL = 10.0
"""Grams a litre for each gram a decilitre."""

G_DL_PER_MMOL_L = 1.61145
"""Grams a decilitre for each millimole a litre of one haem with its chain, as laboratories count.

Of 16 114.5 g/mol, a quarter of haemoglobin's 64 458 (ICSH's reference method, from memory); for
the way back tables have 0.62063 (PMC3934467, table 1).
"""

HAEMS = 4
"""In one haemoglobin: who counts whole ones writes a quarter of the millimoles."""
