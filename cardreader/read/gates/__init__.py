"""Where the numbers come from by which a photo is read or refused."""

from __future__ import annotations

from cardreader.read.gates import colour, finding, region

GATES = (*finding.GATES, *colour.GATES, *region.GATES)
