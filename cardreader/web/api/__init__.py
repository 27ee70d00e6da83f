"""The API: what the pages' own scripts use, and other programs on the same network.

Sign in through the page first; the cookie it sets is what counts here. Changing
calls need the header ``X-CSRF-Token`` with the value that ``/api/session`` gives.
"""

from fastapi import APIRouter

from cardreader.web.api import calibration, noted, originals, photos, readings, uploads, women
from cardreader.web.api.problems import ALWAYS

router = APIRouter(prefix="/api", responses=ALWAYS)
for part in (women, readings, noted, photos, uploads, originals, calibration):
    router.include_router(part.router)
