"""The API: what the pages' own scripts use, and other programs on the same network.

Sign in through the page first; the cookie it sets is what counts here. Changing
calls need the header ``X-CSRF-Token`` with the value that ``/api/session`` gives.
"""

from cardreader.web.api import calibration, noted, originals, photos, readings, uploads, women

ROUTERS = tuple(
    part.router for part in (women, readings, noted, photos, uploads, originals, calibration)
)
