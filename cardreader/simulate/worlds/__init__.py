"""Worlds: other inks, print, papers and blood than those of the demonstration lots.

Nobody knows the inks and the blotting paper of a site before it is measured. What is
known is the range of what printers, paper makers and blood do. A world is one draw
from that range; the prior of a calibration is fitted to hundreds of them.
"""
