"""Origins that several of a photo's gates have in common."""

from __future__ import annotations

EIGHT_BITS = "eight bits: two codes from white are lost to rounding and noise"
RIG = "test rig (tests/rig.py), which shares nothing with the renderer"
RESTATED = "restated for a right scale so that the same residuals lose weight; before it, chosen"
