"""How fast the reader is, and what it takes, next to plain decoding in the same run.

    python tests/benchmarks/speed.py

Every figure that matters is a ratio of two things done in turn on the same
machine: reading a photo to `cv2.imdecode` of the same file at full size, two
workers to one, starting up to importing the same libraries. CPU seconds are
shown beside wall-clock time because a busy machine stretches the latter. The
photos are synthetic, 12 megapixels, some to be turned upright as phones hold
them; other photos can be given.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

import cv2
import numpy as np

from cardreader import pipeline
from cardreader.api import load_reader
from cardreader.batch.score import Job, Task, prepare_process
from cardreader.batch.workers import run_here
from cardreader.decide.subject import Subject
from cardreader.pipeline import measure_photo, read_photo
from cardreader.reader import Reader
from cardreader.simulate.photograph import photograph
from cardreader.simulate.scene import GOOD, Family, draw_scene
from cardreader.simulate.view import draw_view

ROOT = Path(__file__).parents[2]
LOT = 27001
HB_G_DL = (4.0, 6.5, 9.0, 11.0, 13.0, 16.0)
MEGAPIXELS = 12.0
STAGES = ("open_photo", "locate", "find_banding", "sample", "correct", "measure_blot", "judge")
LIBRARIES = "numpy cv2 PIL.Image"
"""What one reading has imported at its end, project apart."""

Row = tuple[str, ...]


@dataclass(frozen=True)
class Took:
    """Seconds of one call."""

    wall: float
    cpu: float


def took(work: Callable[[], object]) -> Took:
    """Time one call."""
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return Took(time.perf_counter() - wall, time.process_time() - cpu)


def rendered(folder: Path, reader: Reader) -> None:
    """Fill a folder with synthetic photos of 12 megapixels, the same every time."""
    for seed, hb_g_dl in enumerate(HB_G_DL):
        rng = np.random.default_rng(seed)
        scene = draw_scene(rng, hb_g_dl, reader.lots[LOT], LOT, GOOD, Family.HELD_OUT)
        data = photograph(scene, draw_view(rng), seed)
        height, width = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR).shape[:2]
        if height * width >= MEGAPIXELS * 1e6:
            (folder / f"{hb_g_dl:g} g-dL.jpg").write_bytes(data)


# --- one photo --------------------------------------------------------------------


def one_photo(photos: dict[str, bytes], reader: Reader, rounds: int) -> list[Row]:
    """Reading to decoding, each photo in turn, medians over the rounds."""
    rows, ratios, totals = [], [], np.zeros(4)
    for name, data in photos.items():
        coded = np.frombuffer(data, np.uint8)
        decode, read = [], []
        for _ in range(rounds):
            decode.append(took(lambda coded=coded: cv2.imdecode(coded, cv2.IMREAD_COLOR)))
            read.append(took(lambda data=data: read_photo(data, reader)))
        d, r = (median(t.cpu for t in times) for times in (decode, read))
        dw, rw = (median(t.wall for t in times) for times in (decode, read))
        totals += [d, r, dw, rw]
        ratios.append(r / d)
        rows.append(
            (name, f"{len(data) / 1e6:.1f}", ms(d), ms(r), f"{r / d:.2f}", f"{rw / dw:.2f}")
        )
    d, r, dw, rw = totals
    rows.append(("all", "", ms(d), ms(r), f"**{r / d:.2f}**", f"**{rw / dw:.2f}**"))
    return rows


def stages(photos: dict[str, bytes], reader: Reader, rounds: int) -> list[Row]:
    """CPU time of each stage as the pipeline calls it, median over photos and rounds."""
    times: dict[str, list[float]] = {name: [] for name in STAGES}
    kept = {name: getattr(pipeline, name) for name in STAGES}

    def timed(name: str) -> Callable[..., object]:
        def call(*given: object) -> object:
            start = time.process_time()
            result = kept[name](*given)
            times[name].append(time.process_time() - start)
            return result

        return call

    try:
        for name in STAGES:
            setattr(pipeline, name, timed(name))
        for _ in range(rounds):
            for data in photos.values():
                read_photo(data, reader)
    finally:
        for name in STAGES:
            setattr(pipeline, name, kept[name])
    return [(name, ms(median(times[name]))) for name in STAGES]


# --- memory -----------------------------------------------------------------------


def peak_memory(photo: Path) -> list[Row]:
    """What a process takes at most for its first photo, to the size of the decoded image.

    Counted from what it holds once everything is imported and set up; the file's
    own bytes are in memory by then.
    """
    decoded = cv2.imdecode(np.fromfile(photo, np.uint8), cv2.IMREAD_COLOR).nbytes
    rows = []
    for name, words in (
        ("reading", "read_photo(data, reader)"),
        ("cv2.imdecode", "cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)"),
    ):
        code = _PEAK.format(photo=str(photo), words=words)
        grown = int(_python(code))
        rows.append((name, mb(grown), mb(decoded), f"{grown / decoded:.2f}"))
    return rows


_PEAK = """
import cv2, numpy as np
from pathlib import Path
from cardreader.api import load_reader
from cardreader.pipeline import read_photo
cv2.setNumThreads(1)
reader, data = load_reader(), Path({photo!r}).read_bytes()
def held(key):
    text = Path("/proc/self/status").read_text()
    return 1024 * int(text.split(key + ":")[1].split()[0])
Path("/proc/self/clear_refs").write_text("5")  # the peak is counted from here
before = held("VmRSS")
{words}
print(held("VmHWM") - before)
"""


def flat_memory(photos: dict[str, bytes], reader: Reader, count: int) -> list[Row]:
    """Memory of a process in use after more and more photos."""
    files, rows = list(photos.values()), []
    marks = {max(1, round(count * share)) for share in (0.02, 0.1, 0.25, 0.5, 0.75, 1.0)}
    for number in range(1, count + 1):
        measure_photo(files[number % len(files)], reader.lots)
        if number in marks:
            rows.append((f"{number}", mb(_resident())))
    return rows


def _resident() -> int:
    with open("/proc/self/statm") as stream:
        return int(stream.read().split()[1]) * resource.getpagesize()


# --- several workers --------------------------------------------------------------


def two_workers(photos: list[Path], reader: Reader, count: int, rounds: int) -> list[Row]:
    """Rate of two workers to one, and of two busy processes: what the machine has to give."""
    names = [str(photos[i % len(photos)]) for i in range(count)]
    job = Job(reader)
    rates: dict[int, list[float]] = {1: [], 2: []}
    spins: dict[int, list[float]] = {1: [], 2: []}
    for _ in range(rounds):
        for workers in (1, 2):
            rates[workers].append(_rate(names, job, workers))
            spins[workers].append(_spin(workers))
    rate, spin = median(rates[2]) / median(rates[1]), median(spins[2]) / median(spins[1])
    return [
        ("photos a second, one worker", f"{median(rates[1]):.1f}"),
        ("photos a second, two workers", f"{median(rates[2]):.1f}"),
        ("two workers to one", f"**{rate:.2f}**"),
        ("two busy loops to one, in turn with the above", f"{spin:.2f}"),
    ]


def _rate(names: list[str], job: Job, workers: int) -> float:
    """Photos a second once every worker has answered; starting up is timed elsewhere."""
    tasks = (Task(name, Subject()) for name in names)
    skip = 4 * workers
    with closing(run_here(tasks, job, workers, 600.0)) as outcomes:
        for _ in range(skip):
            next(outcomes)
        start = time.perf_counter()
        done = sum(1 for _ in outcomes)
        return done / (time.perf_counter() - start)


def _spin(processes: int) -> float:
    """Work a second of so many processes that only compute."""
    code = (
        "import time; n, end = 0, time.perf_counter() + 1.5\n"
        "while time.perf_counter() < end: n += sum(range(2000)) > 0\nprint(n)"
    )
    running = [
        subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
        for _ in range(processes)
    ]
    return float(sum(int(process.communicate()[0]) for process in running))


# --- starting up ------------------------------------------------------------------


def start_up(photo: Path, rounds: int) -> list[Row]:
    """From nothing to the first result, to importing the same libraries.

    Bytecode is kept, as where the program is installed, whatever the environment says: else
    each start would compile the project's modules anew, but none of the libraries'.
    """
    imports = f"import {', '.join(LIBRARIES.split())}"
    words = {
        "importing the libraries": [sys.executable, "-c", imports],
        "cardreader read": [sys.executable, "-m", "cardreader", "read", str(photo), "--json"],
    }
    times: dict[str, list[Took]] = {name: [] for name in words}
    with TemporaryDirectory() as folder:
        environment = {**os.environ, "PYTHONPYCACHEPREFIX": folder}
        environment.pop("PYTHONDONTWRITEBYTECODE", None)
        for _ in range(rounds + 1):
            for name, command in words.items():
                times[name].append(_child(command, environment))
    cpu = {name: median(t.cpu for t in taken[1:]) for name, taken in times.items()}
    wall = {name: median(t.wall for t in taken[1:]) for name, taken in times.items()}
    base, ours = words
    return [
        *((name, ms(cpu[name]), ms(wall[name])) for name in words),
        ("ratio", f"**{cpu[ours] / cpu[base]:.2f}**", f"**{wall[ours] / wall[base]:.2f}**"),
    ]


def _child(command: list[str], environment: dict[str, str]) -> Took:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, cwd=ROOT, env=environment)
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Took(wall, cpu)


# --- the report -------------------------------------------------------------------


def report(options: argparse.Namespace) -> Iterator[str]:
    """The figures as Markdown, section by section."""
    prepare_process()
    reader = load_reader()
    if not list(options.photos.glob("*.jpg")):
        rendered(options.photos, reader)
    paths = sorted(options.photos.glob("*.jpg"))
    photos = {path.stem: path.read_bytes() for path in paths}
    reader = replace(reader, today=options.today) if options.today else reader
    for data in photos.values():
        read_photo(data, reader)  # warm
    busy = os.getloadavg()[0]
    yield "# Speed\n"
    yield (
        f"Made by `python tests/benchmarks/speed.py` on {platform.machine()}, "
        f"{os.cpu_count()} cores, OpenCV {cv2.__version__}, one thread a process; "
        f"load of the machine at the start {busy:.1f}. Synthetic photos.\n"
    )
    yield "## One photo to decoding it\n"
    heads = ("photo", "MB", "imdecode, CPU ms", "reading, CPU ms", "ratio, CPU", "ratio, wall")
    yield table(heads, one_photo(photos, reader, options.rounds))
    yield "## Where the time goes\n"
    yield table(("stage", "CPU ms"), stages(photos, reader, options.rounds))
    yield "## Memory of one photo\n"
    largest = max(paths, key=lambda path: path.stat().st_size)
    yield table(("", "growth of the peak, MB", "decoded image, MB", "ratio"), peak_memory(largest))
    yield "## Memory over many photos\n"
    yield table(("photos", "resident, MB"), flat_memory(photos, reader, options.many))
    yield "## Two workers to one\n"
    yield table(("", ""), two_workers(paths, reader, options.batch, options.worker_rounds))
    yield "## Start to first result\n"
    yield table(("", "CPU ms", "wall ms"), start_up(paths[0], options.rounds))


def table(heads: Row, rows: list[Row]) -> str:
    """A Markdown table."""
    lines = [heads, tuple("---" for _ in heads), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines) + "\n"


def ms(seconds: float) -> str:
    """Milliseconds as text."""
    return f"{1e3 * seconds:.1f}"


def mb(size: float) -> str:
    """Megabytes as text."""
    return f"{size / 1e6:.1f}"


def _python(code: str) -> str:
    return subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=ROOT
    ).stdout


def main() -> None:
    """Run everything and print it, and with ``--out`` keep it."""
    from datetime import date

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, help="folder of photos (default: rendered ones)")
    parser.add_argument("--rounds", type=int, default=9, help="of every timing")
    parser.add_argument("--many", type=int, default=1000, help="photos for memory in use")
    parser.add_argument("--batch", type=int, default=150, help="photos for the workers")
    parser.add_argument("--worker-rounds", type=int, default=3, help="of one worker and two")
    parser.add_argument("--today", type=date.fromisoformat, help="day for the card's expiry")
    parser.add_argument("--out", type=Path, help="file to keep the report in")
    options = parser.parse_args()
    text = ""
    with TemporaryDirectory() as folder:
        options.photos = options.photos or Path(folder)
        for part in report(options):
            print(part, flush=True)
            text += part + "\n"
    if options.out:
        options.out.write_text(text.rstrip() + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
