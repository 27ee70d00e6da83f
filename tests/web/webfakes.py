"""A photo reader for the tests of the pages: its "photos" are JSON texts saying the value.

Only the photo reading is stood in for; deciding, combining by the stated law and
the JSON's form are the project's own.
"""

from __future__ import annotations

import hashlib
import io
import json
from math import sqrt

from PIL import Image

from cardreader.core.refusal import Reason, Refusal
from cardreader.decide.protocolfile import load_protocol
from cardreader.decide.rule import decide
from cardreader.decide.subject import Subject
from cardreader.hb.distribution import HbDistribution
from cardreader.register.blots import SIDES
from cardreader.register.readingjson import facts_of
from cardreader.register.recording import PhotoFacts
from cardreader.result.asjson import decision_json, refusal_json
from cardreader.web.reader import PhotoResult, Shade

PICTURE = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010806000000"
    "1f15c4890000000d49444154789c6360606060000000050001a5f64540"
    "0000000049454e44ae426082"
)


MOST_APART_G_DL = 1.2
"""Between two stand-in photos of one blot."""


def photo(hb_g_dl: float, salt: str = "") -> bytes:
    """A stand-in photo that reads as ``hb_g_dl``."""
    return json.dumps({"hb": hb_g_dl, "salt": salt}).encode()


def picture_photo(hb_g_dl: float, exif: bytes = b"") -> bytes:
    """A small JPEG with the stand-in photo behind its end."""
    out = io.BytesIO()
    Image.new("RGB", (32, 24), "#a84a42").save(out, "JPEG", exif=exif)
    return out.getvalue() + photo(hb_g_dl)


def refused_photo(reason: Reason = Reason.BLURRED, salt: str = "") -> bytes:
    """A stand-in photo that is refused."""
    return json.dumps({"refuse": reason.value, "salt": salt}).encode()


class FakeReader:
    """Reads stand-in photos."""

    lots_changed: tuple[str, ...] = ()

    def __init__(self, sd_g_dl: float = 0.4) -> None:
        self.rules = load_protocol()
        self.sd_g_dl = sd_g_dl
        self.seen: list[bytes] = []
        self.pale_seen: list[bool] = []

    def read(self, data: bytes, subject: Subject) -> PhotoResult:
        """Read one stand-in photo."""
        self.seen.append(data)
        sha256 = hashlib.sha256(data).hexdigest()
        try:
            said = json.loads(data[max(data.rfind(b"{"), 0) :])
        except ValueError:
            said = {"refuse": Reason.NOT_AN_IMAGE.value}
        if not isinstance(said, dict) or not {"hb", "refuse"} & said.keys():
            said = {"refuse": Reason.NOT_AN_IMAGE.value}
        if "refuse" in said:
            refusal = Refusal(Reason(said["refuse"]), "locate", "measured 1, limit 2")
            detail = self._json(sha256, None, refusal, subject)
            return PhotoResult(facts_of(detail), None)
        detail = self._json(sha256, HbDistribution.normal(said["hb"], self.sd_g_dl), None, subject)
        return PhotoResult(facts_of(detail), PICTURE, "image/png")

    def read_same_blot(self, contents, subject: Subject) -> PhotoResult:
        """The mean of stand-in photos, the newest first; refused when they lie too far apart."""
        each = [self.read(data, subject).facts for data in contents]
        sides = [
            {"sha256": f.sha256, "hb_g_dl": f.hb_g_dl, "outcome": f.outcome, "refusal": f.refusal}
            for f in each
        ]
        values = [f.hb_g_dl for f in each if f.hb_g_dl is not None]
        refusal = value = None
        if len(values) < len(each) or max(values) - min(values) > MOST_APART_G_DL:
            refusal = Refusal(Reason.GLARE_ON_BLOT, "blot", "the blot differs from photo to photo")
        else:
            value = HbDistribution.normal(sum(values) / len(values), self.sd_g_dl)
        detail = self._json(each[0].sha256, value, refusal, subject)
        return PhotoResult(facts_of({**detail, SIDES: sides}), None)

    def combine(self, details: list[dict], subject: Subject, pale_blot: bool = False) -> PhotoFacts:
        """Mean of the blots, with the error of a mean; a pale blot makes no difference here."""
        self.pale_seen.append(pale_blot)
        hb = sum(d["hb"]["g_dl"] for d in details) / len(details)
        value = HbDistribution.normal(hb, self.sd_g_dl / sqrt(len(details)))
        return facts_of(self._json(details[-1]["photo"]["sha256"], value, None, subject))

    lots_problem = ""

    def of_today(self) -> FakeReader:
        return self

    def shades(self) -> tuple[Shade, ...]:
        """Three invented shades."""
        return (Shade(4.0, "#c86a5a"), Shade(9.0, "#a84a42"), Shade(14.0, "#8a3434"))

    def _json(
        self, sha256: str, value: HbDistribution | None, refusal: Refusal | None, subject: Subject
    ) -> dict:
        hb = None
        if value is not None:
            low, high = map(float, value.interval(0.9))
            hb = {
                "g_dl": value.hb_g_dl,
                "g_l": value.hb_g_dl * 10,
                "interval": {"level": 0.9, "low_g_dl": low, "high_g_dl": high},
                "sd": {
                    "measurement_g_dl": float(value.sd),
                    "calibration_g_dl": 0.0,
                    "volume_floor_g_dl": 0.0,
                },
            }
        decision = decide(value if refusal is None else refusal, self.rules, subject)
        return {
            "status": "read" if refusal is None else "refused",
            "photo": {"sha256": sha256, "make_model": "Invented Phone 1"},
            "card": {"lot_id": "000123"} if value else None,
            "blot": {} if value else None,
            "hb": hb,
            "decision": decision_json(decision),
            "protocol": {"id": self.rules.id, "sha256": self.rules.sha256},
            "calibration": {"id": "test", "basis": "simulated", "statement": None},
            "refusal": refusal_json(refusal),
        }
