"""The phone pages: a local server that a worker's phone opens on the same hotspot.

Pages are rendered here, on the server; readings come from ``cardreader.pipeline``
and everything kept goes through ``cardreader.register``. Templates hold no
arithmetic: what they show is worked out before.
"""
