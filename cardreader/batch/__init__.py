"""Many photos at once: find them, read them on many cores or machines, keep what was found.

sources -> journal says what is still to do -> workers or cluster -> journal ->
table and summary. The journal is the only state: a run that was killed goes on
from it, and a run under another calibration judges from it without opening a photo.
"""
