"""The real photo reader behind the pages: ``pipeline.read_photo`` and nothing else."""

from __future__ import annotations

import copy
import datetime as dt
import io
import math
import os
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from cardreader.card import layout
from cardreader.card.lots import Lots
from cardreader.colour.cielab import lab_to_srgb
from cardreader.core.oneline import one_line
from cardreader.core.shipped import shipped
from cardreader.decide.protocol import Protocol
from cardreader.decide.protocolfile import DEFAULT, ProtocolSource
from cardreader.decide.rule import MAY_HIDE_SEVERE, Outcome, Question, decide, with_pale_blot
from cardreader.decide.subject import Subject
from cardreader.hb.calibration import Calibration
from cardreader.hb.combine import combine
from cardreader.hb.container import load_calibration
from cardreader.hb.distribution import HbDistribution
from cardreader.hb.estimate import HbEstimate, read_hb
from cardreader.hb.measured import Measured, OtherChainError
from cardreader.pipeline import judge, read_photo, read_same_blot
from cardreader.reader import Reader
from cardreader.register.blots import SIDES
from cardreader.register.readingjson import facts_of
from cardreader.register.recording import PhotoFacts
from cardreader.result.annotate import JPEG_QUALITY, outlined_photo
from cardreader.result.asjson import (
    calibration_json,
    decision_json,
    estimate_json,
    judgement_json,
    paper_json,
    reading_json,
)
from cardreader.result.reading import Findings, Reading
from cardreader.web.reader import Named, PhotoResult, Shade

_DEFAULT = ProtocolSource(DEFAULT)


class PipelineReader:
    """Reads photos with the given lots, calibration and protocol."""

    def __init__(
        self,
        lots: Lots,
        calibration: Calibration,
        protocol: ProtocolSource,
        lots_from: Path | None = None,
    ) -> None:
        self._reader = Reader(lots, calibration, protocol.load(), dt.date.today())
        self._lots_from, self._protocol = lots_from, protocol
        self._lots_files, self._lots_problem = _files_of(lots_from), ""

    @classmethod
    def load(
        cls,
        lots: Path | None = None,
        calibration: Path | None = None,
        protocol: ProtocolSource = _DEFAULT,
    ) -> PipelineReader:
        """With what is named, or with what is shipped. ValueError or OSError say what is wrong."""
        return cls(
            Lots.load(lots or shipped("lots")),
            load_calibration(calibration or shipped("default")),
            protocol,
            lots,
        )

    def with_calibration(self, calibration: Calibration) -> PipelineReader:
        """The same reader with another calibration. CalibrationError for another chain's."""
        return self._with(calibration=calibration)

    def with_paper(self, batch: str) -> PipelineReader:
        """The same reader for blots on a batch of paper."""
        return self._with(paper=batch)

    def _with(self, **changes: Any) -> PipelineReader:
        other = copy.copy(self)
        other._reader = replace(self._reader, **changes)
        return other

    def of_today(self) -> PipelineReader:
        """The same reader by the files of card lots as they are now; itself where none changed.

        Where they can't be read, a file being copied perhaps, those of before hold on.
        """
        files = _files_of(self._lots_from)
        if self._lots_from is None or files == self._lots_files:
            return self
        try:
            renewed = self._with(lots=Lots.load(self._lots_from))
            renewed._lots_problem = ""
        except (ValueError, OSError) as error:
            renewed = self._with()
            renewed._lots_problem = one_line(error)
        renewed._lots_files = files
        return renewed

    @property
    def lots_problem(self) -> str:
        """Why the files of card lots can't be read as they are now; else empty."""
        return self._lots_problem

    @property
    def calibration_created(self) -> str:
        """Day on which the calibration was made, ISO 8601."""
        return self._reader.calibration.created

    @property
    def calibration_sha256(self) -> str:
        """Hash of the calibration."""
        return self._reader.calibration.sha256

    @property
    def named(self) -> Named:
        """Where lots and protocol come from."""
        lots = self._reader.lots.values()
        return Named(
            self._lots_from,
            self._protocol,
            frozenset(lot.lot_id for lot in lots if not lot.is_demonstration),
            frozenset(lot.lot_id for lot in lots if lot.is_demonstration),
            {lot.lot_id: lot.fingerprint for lot in lots},
        )

    @property
    def lots_changed(self) -> tuple[str, ...]:
        """Lots that give no value because their colours aren't those of the calibration's fit."""
        known = (lot for lot in self._reader.lots.values() if self._reader.calibration.unlike(lot))
        return tuple(sorted(lot.lot_id for lot in known))

    @property
    def rules(self) -> Protocol:
        """The protocol that readings are judged by."""
        return self._reader.protocol

    def read(self, data: bytes, subject: Subject) -> PhotoResult:
        """Read one photo; the JSON is the same that every other way in gives."""
        reading = read_photo(data, self._today(), subject)
        return PhotoResult(facts_of(reading_json(reading)), _picture(reading))

    def read_same_blot(self, contents: Sequence[bytes], subject: Subject) -> PhotoResult:
        """Read photos of one blot as one, the newest first, as ``read --same-blot`` does."""
        same = read_same_blot(contents, self._today(), subject)
        detail = {
            **reading_json(same.together),
            SIDES: [_side(reading_json(reading)) for reading in same.readings],
        }
        newest = same.readings[0]
        # Where an earlier photo is at fault, the reading of both is that photo's.
        facts = replace(facts_of(detail), sha256=newest.sha256)
        return PhotoResult(facts, _picture(same.together))

    def _today(self) -> Reader:
        # The server may run for weeks: a card's expiry is checked against today.
        return replace(self._reader, today=dt.date.today())

    def combine(
        self, details: list[dict[str, Any]], subject: Subject, pale_blot: bool = False
    ) -> PhotoFacts:
        """Several blots of one visit as one result, judged anew from the numbers kept of each.

        Readings that can't be judged here, of an earlier measuring chain or of another place's
        cards, can't be combined with others: where one says worse than the rest come to, it
        stands as it is, the newest where several do.
        """
        newest = details[-1]
        if len(details) == 1 and not pale_blot:
            return facts_of(newest)
        found = [(detail, self._estimate(detail)) for detail in details]
        singles = [one for _, one in found if one is not None]
        left = [detail for detail, one in reversed(found) if one is None]
        worst = min(left, key=_alarm) if left else None
        if worst is not None and not singles:
            return self._as_kept(worst, subject, pale_blot)
        estimate = combine(singles, self._reader.calibration)
        decision = decide(estimate, self.rules, subject)
        together = {
            **newest,
            "hb": estimate_json(estimate),
            "decision": decision_json(with_pale_blot(decision) if pale_blot else decision),
            "protocol": self._protocol_json(),
            "n_blots": len(singles),
            "blots_disagree": estimate.blots_disagree,
        }
        if worst is not None and _alarm(worst) < _alarm(together):
            return self._as_kept(worst, subject, pale_blot)
        return facts_of(together)

    def judge_again(self, details: list[dict[str, Any]], subject: Subject) -> PhotoFacts | None:
        """Result of a visit's blots from what was measured of each; None where nothing was.

        Every blot's newest photo, read or refused; what was refused before its colour was
        measured stays refused.
        """
        if not any(detail.get("measured") for detail in details):
            return None
        judged = [self._judged(detail, subject) for detail in details]
        read = [one for one in judged if one["refusal"] is None]
        if not read:
            return facts_of(judged[-1])
        pale = any(
            one["refusal"] is not None and one["refusal"]["reason"] in MAY_HIDE_SEVERE
            for one in judged
        )
        return self.combine(read, subject, pale)

    def _judged(self, detail: dict[str, Any], subject: Subject) -> dict[str, Any]:
        """A kept reading's JSON as it would be today; as it is where it can't be judged again."""
        kept, card = detail.get("measured"), detail.get("card")
        if kept is None or card is None or self._known_otherwise(card):
            return detail
        try:
            paper = (detail.get("paper") or {}).get("batch") or self._reader.paper
            number = int(card["lot_id"])
            colours = card.get("colours") or ""
            findings = Findings(number, None, Measured.from_json(kept), paper, colours)
        except OtherChainError:
            return detail
        # By the day it was read: a card that has expired since was good then.
        reader = replace(self._reader, today=dt.date.min)
        judged = judge(findings, reader, subject)
        return {
            **detail,
            **judgement_json(judged.estimate, judged.decision, judged.refusal),
            "protocol": self._protocol_json(),
            "calibration": calibration_json(self._reader.calibration),
            **self._paper_json(paper),
        }

    def _known_otherwise(self, card: dict[str, Any]) -> bool:
        """Whether a kept photo was measured beside colours of its card that are neither those
        known now nor those that the calibration learnt beside."""
        lot = self._reader.lots.get(int(card["lot_id"]))
        if lot is None:
            return False
        taught = self._reader.calibration.colours_of(lot.lot_id)
        if (colours := card.get("colours")) is not None:
            return colours not in (lot.fingerprint, taught and taught.fingerprint)
        return card.get("basis") not in (None, lot.basis)

    def _paper_json(self, batch: str) -> dict[str, Any]:
        if not batch:
            return {}
        another = self._reader.calibration.is_another_paper(batch)
        return {"paper": paper_json(batch, another)}

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

    def _estimate(self, detail: dict[str, Any]) -> HbEstimate | None:
        """A reading kept as JSON, judged again; None where its numbers are not to be used."""
        kept = detail.get("measured")
        lot = self._reader.lots.get(int(detail["card"]["lot_id"]))
        if kept is None or lot is None or self._known_otherwise(detail["card"]):
            return None
        try:
            paper = (detail.get("paper") or {}).get("batch") or ""
            calibration = self._reader.calibration.on_paper(paper)
            found = read_hb(Measured.from_json(kept), calibration, lot.print_sd)
        except OtherChainError:
            return None
        return found if isinstance(found, HbEstimate) else None

    def _as_kept(self, detail: dict[str, Any], subject: Subject, pale_blot: bool) -> PhotoFacts:
        if not pale_blot:
            return facts_of(detail)
        hb = detail["hb"]
        value = HbDistribution.normal(hb["g_dl"], math.hypot(*hb["sd"].values()))
        decision = with_pale_blot(decide(value, self.rules, subject))
        judged = {"decision": decision_json(decision), "protocol": self._protocol_json()}
        return facts_of({**detail, **judged})

    def _protocol_json(self) -> dict[str, str]:
        return {"id": self.rules.id, "sha256": self.rules.sha256}


_ALARM = (
    Outcome.SEVERE,
    Question.MAY_BE_SEVERE,
    Outcome.ANAEMIC,
    Question.MAY_BE_ANAEMIC,
    Outcome.NOT_ANAEMIC,
)


def _alarm(detail: dict[str, Any]) -> int:
    """To sort kept readings by what they say, the worst first."""
    decision = detail["decision"]
    said = decision.get("question") or decision["outcome"]
    return _ALARM.index(said) if said in _ALARM else len(_ALARM)


def _side(reading: dict[str, Any]) -> dict[str, Any]:
    """What one photo of a blot said alone."""
    hb, refusal = reading["hb"], reading["refusal"]
    return {
        "sha256": reading["photo"]["sha256"],
        "hb_g_dl": hb and hb["g_dl"],
        "outcome": reading["decision"]["outcome"],
        "refusal": refusal and refusal["reason"],
    }


def _picture(reading: Reading) -> bytes | None:
    picture = outlined_photo(reading)
    return None if picture is None else _jpeg(picture)


def _jpeg(picture: Image.Image) -> bytes:
    out = io.BytesIO()
    picture.convert("RGB").save(out, "JPEG", quality=JPEG_QUALITY)
    return out.getvalue()


def _hex(lab: np.ndarray) -> str:
    rgb = np.clip(lab_to_srgb(lab), 0, 1)
    return "#" + "".join(f"{round(255 * float(c)):02x}" for c in rgb)


def _files_of(folder: Path | None) -> frozenset[tuple[str, int, int]] | None:
    """What tells whether the files of card lots are those of before; None where there are none
    of one's own, or their folder is away."""
    if folder is None:
        return None
    try:
        found = [(entry.name, entry.stat()) for entry in os.scandir(folder)]
    except OSError:
        return None
    return frozenset((name, facts.st_size, facts.st_mtime_ns) for name, facts in found)
