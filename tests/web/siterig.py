"""A simulated site for the pages: photos drawn in a world of its own, cards of a printed lot.

Only the photographs are stood in for: what was measured of each is drawn by the simulator's
worlds. Judging, combining and keeping are the project's own.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from cardreader.card.cgats import write_lot
from cardreader.card.lots import Lots
from cardreader.core.shipped import shipped
from cardreader.decide.protocolfile import DEFAULT, ProtocolSource
from cardreader.decide.subject import Subject
from cardreader.hb.container import load_calibration
from cardreader.hb.measured import Measured
from cardreader.register.base import local_day, utc_now
from cardreader.register.readingjson import facts_of
from cardreader.register.recording import record_lab, subject_of
from cardreader.register.women import find_woman
from cardreader.simulate.worlds.draws import draw_worlds
from cardreader.web.photos import ForCode, take_photo
from cardreader.web.pipelinereader import PipelineReader
from cardreader.web.reader import PhotoResult
from cardreader.web.state import State

SEED = 71_301
"""Apart from the worlds of the prior, of tuning, of the benchmark and of other tests."""
LOT = 261_101
LAB_CV = 0.02


@dataclass(frozen=True, eq=False)
class Drawn:
    """Photos of one world: the truth (n,), and what was measured of each."""

    hb_g_dl: np.ndarray
    measured: Measured


@cache
def drawn() -> Drawn:
    """Sittings from 4 to 15 g/dL, a new phone and lamp each."""
    found = draw_worlds(1, 130, SEED)
    inside = (found.hb_g_dl > 4) & (found.hb_g_dl < 15)
    return Drawn(found.hb_g_dl[inside], found.measured[inside])


def write_printed_lot(folder: Path, basis: str = "measured") -> Path:
    """A folder with the file of one printed lot, and with the shipped ones."""
    folder.mkdir(exist_ok=True)
    lots = Lots.load(shipped("lots"))
    own = replace(lots[27_001], number=LOT, instrument="an invented instrument", basis=basis)
    for lot in (*lots.values(), own):
        (folder / f"{lot.lot_id}.txt").write_text(write_lot(lot))
    return folder


class DrawnReader(PipelineReader):
    """Its photos are JSON texts with the number of a sitting."""

    @classmethod
    def of(cls, lots: Path) -> DrawnReader:
        protocol = ProtocolSource(DEFAULT)
        return cls(Lots.load(lots), load_calibration(shipped("default")), protocol, lots)

    def read(self, data: bytes, subject: Subject) -> PhotoResult:
        told = json.loads(data)
        detail = {
            "photo": {"sha256": hashlib.sha256(data).hexdigest(), "make_model": told["phone"]},
            "card": {
                "lot_id": f"{told['lot']:06d}",
                "statement": None,
                "colours": self._reader.lots[told["lot"]].fingerprint,
            },
            "measured": drawn().measured[told["row"]].as_json(),
        }
        return PhotoResult(facts_of(self._judged(detail, subject)), None)


def photo(row: int, lot: int = LOT) -> bytes:
    """The stand-in photo of a sitting."""
    told = {"row": row, "lot": lot, "phone": f"Invented {row % 4}"}
    return json.dumps(told).encode()


def send(state: State, row: int, by: str, code: str = "", **options) -> str:
    """Enter a photo of a woman of its own; returns the reading's id."""
    taken = take_photo(
        *(state, ForCode(code or f"KX-{row:03d}", 1, 20), f"key-{row:03d}-{code}"),
        *(photo(row, **options), None, by),
    )
    return taken.reading_id


def lab(
    state: State,
    row: int,
    by: str,
    days: float = 0.0,
    of: int | None = None,
    times: float = 1.0,
) -> float:
    """Enter her laboratory value, ``days`` after the photo; or that ``of`` another woman."""
    value = drawn().hb_g_dl[row if of is None else of] * times
    value *= 1 + LAB_CV * np.random.default_rng([SEED, row]).normal()
    with state.database.write() as session:
        woman = find_woman(session, f"KX-{row:03d}")
        assert woman is not None
        at = utc_now() + dt.timedelta(days=days)
        record_lab(
            *(session, woman, f"lab-{row}", round(float(value), 2), "Cell counter", "Clinic"),
            *(at, by, state.reader.rules, subject_of(woman, local_day(at), None), True),
        )
    return float(value)
