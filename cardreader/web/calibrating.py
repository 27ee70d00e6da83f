"""Fitting a site's calibration, and judging kept readings again, beside the requests.

A fit is the command ``study fit`` in a process of its own, on a table that the register
writes for it: one estimator, one loader, one writer, and a page that never waits. Its
folder is read back as every calibration is, kept in the register, and removed.
"""

from __future__ import annotations

import logging
import os
import re
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from cardreader.register import calibrations
from cardreader.register.base import utc_now
from cardreader.register.calibrations import Made
from cardreader.register.database import Database
from cardreader.register.models import SiteCalibration
from cardreader.register.rejudging import judge_all_again
from cardreader.register.sitepairs import PairsFound
from cardreader.register.studyexport import measured_jsonl, study_csv
from cardreader.web.reader import Named
from cardreader.web.sitereader import SiteReader
from cardreader.web.words import LabMethod

UNFINISHED_FIT = ".fit-"
"""How folders begin that a fit works in, and that are gone afterwards."""
BEAT_S = 10.0
LONGEST_S = 3 * 3600.0
"""No fit of a register's pairs takes as long: one that does hangs."""
_NICE = 10
_REPORT = "report.html"
KILLED = "The fit was stopped by the machine, perhaps for want of memory."
TOO_LONG = "The fit took too long and was stopped."
NOT_READ = "What the fit wrote can't be used"
_LOG = logging.getLogger(__name__)


LAB_SD_PERCENT = 3.0
"""What is offered where the laboratory has stated nothing: the 1.5 to 2 % of common practice
for analyser and photometer (no source), and a day or two between blot and vein."""


@dataclass(frozen=True)
class Laboratory:
    """How the laboratory measured, and its standard uncertainty in percent of the value."""

    method: str
    sd_percent: float


class Workshop:
    """What runs in the background of one server; ``stop`` ends it."""

    def __init__(
        self,
        database: Database,
        data: Path,
        reader: SiteReader,
        elevation_m: float | None,
        beat_s: float = BEAT_S,
    ) -> None:
        self._database, self._data, self._reader = database, data, reader
        self._elevation_m, self.beat_s = elevation_m, beat_s
        self._threads: list[threading.Thread] = []
        self._stopped = threading.Event()

    def resume(self) -> None:
        """At the start: give up fits whose server is gone, and go on judging again."""
        for folder in self._data.glob(f"{UNFINISHED_FIT}*"):
            shutil.rmtree(folder, ignore_errors=True)
        with self._database.write() as session:
            calibrations.end_silent(session)
            use = calibrations.in_use(session)
            unjudged = use.id if use is not None and use.judged_at is None else None
        if unjudged is not None:
            self.judge_again(unjudged)

    def fit(self, found: PairsFound, laboratory: Laboratory, place: str, by: str | None) -> str:
        """Begin a fit; returns its row's id. BusyError where one is running."""
        named = self._reader.base.named
        name = f"{_slug(place)}-{utc_now():%Y%m%d-%H%M%S}"
        synthetic = all(pair.lot_id in named.demonstration_lots for pair in found.pairs)
        with self._database.write() as session:
            row = calibrations.begin(session, name, by, len(found))
            row_id = row.id
        words = fit_command(named, name, place, synthetic)
        files = {
            "study.csv": study_csv(found, laboratory.method, laboratory.sd_percent),
            "measured.jsonl": measured_jsonl(found),
        }
        if named.protocol.own is not None:
            files[OWN_PROTOCOL] = named.protocol.own
        readings = [pair.reading_id for pair in found.pairs]
        self._start(lambda: self._fit(row_id, words, files, readings, laboratory), "fit")
        return row_id

    def judge_again(self, use_id: str) -> None:
        """Begin judging all kept readings by the calibration that came into use."""
        self._start(lambda: self._judge(use_id), "judge again")

    def stop(self) -> None:
        """End what runs; a fit that was cut off has failed."""
        self._stopped.set()
        self.wait()

    def wait(self) -> None:
        """Until nothing runs in the background any more."""
        for thread in self._threads:
            thread.join()

    def _start(self, work: Callable[[], None], name: str) -> None:
        thread = threading.Thread(target=work, name=name, daemon=True)
        self._threads = [t for t in self._threads if t.is_alive()]
        self._threads.append(thread)
        thread.start()

    def _judge(self, use_id: str) -> None:
        try:
            judge_all_again(self._database, use_id, self._reader, self._elevation_m)
        except Exception:
            # The next start goes on with it; until then the page says that it isn't done.
            _LOG.exception("kept readings could not be judged again")

    def _fit(
        self,
        row_id: str,
        words: list[str],
        files: dict[str, str],
        readings: list[str],
        laboratory: Laboratory,
    ) -> None:
        from cardreader.hb.calibrationnumbers import CalibrationError

        problem = NOT_READ
        try:
            with tempfile.TemporaryDirectory(prefix=UNFINISHED_FIT, dir=self._data) as name:
                folder = Path(name)
                for file, text in files.items():
                    # As they are: a protocol is known by the hash of its file.
                    (folder / file).write_text(text, encoding="utf-8", newline="")
                failed = self._run(row_id, words, folder)
                if failed is None:
                    made = read_made(folder / OUT)
                    made.provenance[UNLIKE] = [readings[at - 1] for at in _unlike(made)]
                    made.provenance[LABORATORY] = asdict(laboratory)
                    with self._database.write() as session:
                        calibrations.finish(session, row_id, made)
                    return
            problem = failed
        except (CalibrationError, OSError) as error:
            problem = f"{NOT_READ}: {error}"
        except Exception:
            _LOG.exception("a fit could not be brought to its end")
        with self._database.write() as session:
            calibrations.fail(session, row_id, problem)

    def _run(self, row_id: str, words: list[str], folder: Path) -> str | None:
        """Run the command to its end; None when it did its work, else why not."""
        said = folder / "said"
        with said.open("wb") as stream:
            process = subprocess.Popen(
                words, cwd=folder, stdin=subprocess.DEVNULL, stdout=stream, stderr=stream
            )
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, process.pid, _NICE)
        ends_at, why = utc_now().timestamp() + LONGEST_S, None
        while why is None:
            with suppress(subprocess.TimeoutExpired):
                process.wait(min(self.beat_s, 1.0) if self._stopped.is_set() else self.beat_s)
                break
            if self._stopped.is_set():
                why = calibrations.STOPPED
            elif utc_now().timestamp() > ends_at:
                why = TOO_LONG
            else:
                with self._database.write() as session:
                    why = None if calibrations.beat(session, row_id) else calibrations.STOPPED
        if why is not None:
            process.kill()
            process.wait()
            return why
        if process.returncode == 0:
            return None
        return KILLED if process.returncode < 0 else _last_line(said)


OUT = "calibration"
OWN_PROTOCOL = "protocol.toml"
UNLIKE = "unlike_readings"
"""Where a calibration's provenance names the readings that were unlike the others in its fit."""
LABORATORY = "laboratory"
"""Where it says what was told of the `Laboratory`."""


def _unlike(made: Made) -> list[int]:
    """Rows of the table, from 1, that the fit let count little."""
    return list(made.provenance.get("unlike_rows") or [])


def last_laboratory(rows: Sequence[SiteCalibration]) -> Laboratory:
    """What was told of the laboratory at the latest fit that says so; else what is usual."""
    for row in rows:
        told = (row.provenance or {}).get(LABORATORY)
        if told is not None:
            return Laboratory(str(told["method"]), float(told["sd_percent"]))
    return Laboratory(LabMethod.ANALYSER.value, LAB_SD_PERCENT)


def fit_command(named: Named, name: str, place: str, synthetic: bool) -> list[str]:
    """The words of the command that fits, to be run where the table lies."""
    words = [sys.executable, "-m", "cardreader", "study", "fit", "study.csv"]
    words += ["--measured", "measured.jsonl", "--out", OUT, "--id", name]
    words += ["--title", f"Register of {place}" if place else "Register"]
    if named.lots is not None:
        words += ["--lots", str(named.lots.absolute())]
    words += ["--protocol", named.protocol.id if named.protocol.own is None else OWN_PROTOCOL]
    return [*words, "--synthetic"] if synthetic else words


def read_made(folder: Path) -> Made:
    """A fit's folder as the register keeps it. ContainerError or OSError where it can't be."""
    from cardreader.hb import container

    loaded = container.load(folder)
    report = folder / _REPORT
    html = report.read_text(encoding="utf-8") if _REPORT in loaded.files else None
    return Made(loaded.calibration, loaded.provenance, html)


def _last_line(said: Path) -> str:
    lines = said.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    return lines[-1].removeprefix("cardreader: ").removeprefix("error: ") if lines else KILLED


def _slug(place: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", place.lower()).strip("-")[:40] or "site"
