"""The real photo reader behind the pages: ``pipeline.read_photo`` and nothing else."""

from __future__ import annotations

import datetime as dt
import io
import math
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from cardreader.card import layout
from cardreader.card.lots import Lots
from cardreader.colour.cielab import lab_to_srgb
from cardreader.core.shipped import shipped
from cardreader.decide.protocol import DEFAULT, Protocol, load_protocol
from cardreader.decide.rule import decide, with_pale_blot
from cardreader.decide.subject import Subject
from cardreader.hb.calibration import Calibration
from cardreader.hb.container import load_calibration
from cardreader.hb.estimate import HbEstimate, combine
from cardreader.pipeline import read_photo
from cardreader.reader import Reader
from cardreader.register.readingjson import facts_of
from cardreader.register.recording import PhotoFacts
from cardreader.result.annotate import JPEG_QUALITY, outlined_photo
from cardreader.result.blots import blots_disagree
from cardreader.result.report import decision_json, estimate_json, reading_json
from cardreader.web.reader import PhotoResult, Shade


class PipelineReader:
    """Reads photos with the given lots, calibration and protocol."""

    def __init__(self, lots: Lots, calibration: Calibration, rules: Protocol) -> None:
        self._reader = Reader(lots, calibration, rules, dt.date.today())

    @classmethod
    def load(
        cls,
        lots: Path | None = None,
        calibration: Path | None = None,
        protocol: str | None = None,
    ) -> PipelineReader:
        """With what is named, or with what is shipped. ValueError or OSError say what is wrong."""
        return cls(
            Lots.load(lots or shipped("lots")),
            load_calibration(calibration or shipped("default")),
            load_protocol(protocol or DEFAULT),
        )

    @property
    def rules(self) -> Protocol:
        """The protocol that readings are judged by."""
        return self._reader.protocol

    def read(self, data: bytes, subject: Subject) -> PhotoResult:
        """Read one photo; the JSON is the same that every other way in gives."""
        # The server may run for weeks: a card's expiry is checked against today.
        reader = replace(self._reader, today=dt.date.today())
        reading = read_photo(data, reader, subject)
        picture = outlined_photo(reading)
        return PhotoResult(
            facts_of(reading_json(reading)), None if picture is None else _jpeg(picture)
        )

    def combine(
        self, details: list[dict[str, Any]], subject: Subject, pale_blot: bool = False
    ) -> PhotoFacts:
        """Several blots of one visit as one result, by ``estimate.combine``."""
        if len(details) == 1 and not pale_blot:
            return facts_of(details[0])
        singles = [self._estimate(d["hb"]) for d in details]
        estimate = combine(singles, self._reader.calibration)
        decision = decide(estimate, self.rules, subject)
        if pale_blot:
            decision = with_pale_blot(decision)
        newest = details[-1]
        return facts_of(
            {
                **newest,
                "hb": estimate_json(estimate),
                "decision": decision_json(decision),
                "n_blots": len(details),
                "blots_disagree": blots_disagree(estimate, singles),
            }
        )

    def shades(self) -> tuple[Shade, ...]:
        """The ramp as the card asks for it, lightest first; only to show where a value lies."""
        return self._shades

    @cached_property
    def _shades(self) -> tuple[Shade, ...]:
        lots = self._reader.lots
        lot = lots[min(lots)]
        ramp = [
            (cell.hb_g_dl, lab)
            for cell, lab in zip(layout.cells(), lot.lab, strict=True)
            if cell.hb_g_dl is not None and cell.name.endswith("a")
        ]
        return tuple(Shade(hb, _hex(lab)) for hb, lab in sorted(ramp, key=lambda pair: pair[0]))

    def _estimate(self, hb: dict[str, Any]) -> HbEstimate:
        grid = self._reader.calibration.grid_g_dl
        sd = math.hypot(*hb["sd"].values())
        # The blot's own distribution isn't kept; one as wide stands for it.
        density = np.exp(-0.5 * ((grid - hb["g_dl"]) / sd) ** 2)
        return HbEstimate(
            hb_g_dl=hb["g_dl"],
            interval_g_dl=(hb["interval"]["low_g_dl"], hb["interval"]["high_g_dl"]),
            level=hb["interval"]["level"],
            sd_measurement_g_dl=hb["sd"]["measurement_g_dl"],
            sd_calibration_g_dl=hb["sd"]["calibration_g_dl"],
            volume_floor_g_dl=hb["sd"]["volume_floor_g_dl"],
            grid_g_dl=grid,
            density=density / density.sum(),
            distance2=0.0,
        )


def _jpeg(picture: Image.Image) -> bytes:
    out = io.BytesIO()
    picture.convert("RGB").save(out, "JPEG", quality=JPEG_QUALITY)
    return out.getvalue()


def _hex(lab: np.ndarray) -> str:
    rgb = np.clip(lab_to_srgb(lab), 0, 1)
    return "#" + "".join(f"{round(255 * float(c)):02x}" for c in rgb)
