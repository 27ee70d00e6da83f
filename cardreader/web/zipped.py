"""Several files as one to download."""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from collections.abc import Mapping

_FIRST = dt.datetime(1980, 1, 1)
"""A ZIP knows no day before (APPNOTE 4.4.6): a clock whose battery is empty begins in 1970."""
_OWNERS_ALONE = 0o600 << 16


def zipped(files: Mapping[str, str], now: dt.datetime) -> bytes:
    """A ZIP of texts by name, dated now, or the first day that it can be."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, text in files.items():
            info = zipfile.ZipInfo(name, max(now, _FIRST).timetuple()[:6])
            info.external_attr = _OWNERS_ALONE
            archive.writestr(info, text, zipfile.ZIP_DEFLATED)
    return out.getvalue()
