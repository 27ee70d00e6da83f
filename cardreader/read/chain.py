"""The name of the measuring chain: everything from the photo's bytes to the blot's colour.

A calibration is tied to the chain whose numbers it was fitted to, and so are kept
measurements. Raise the name whenever any stage's numbers change; a test holds kept
numbers of sample photos against it.
"""

CHAIN = "8"
