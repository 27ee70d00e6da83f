"""Each process of the tests keeps to one core, and can be interrupted.

They run a process a core. Threads of linear algebra on top of that wait for each other in
loops that burn the processor: factorising a (300, 300) matrix took 0.5 s of it in place of
1 ms. Those of OpenCV cost a tenth of the tests of pictures. Programs that the tests start
inherit the limit.

They keep the memory that they let go of. Pictures are made and dropped by the thousand, and the
system clears each page that it is asked for anew: a fifth of the time of tests that draw many.
The C library looks for how it shall do as a process starts, so this reaches the processes of a
run in parallel; programs that the tests start go by what is shipped.
"""

import gc
import os
import signal
import threading

# Nothing is collected until all is imported, see `pytest_collection_finish`.
gc.disable()

from hypothesis import settings  # noqa: E402

pytest_plugins = [
    "busycores",
    "cheappasswords",
    "compiledonce",
    "loadedonce",
    "reflectedonce",
    "unsynced",
]

for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(threads, "1")
os.environ.setdefault("OPENCV_FOR_THREADS_NUM", "1")

# Of the GNU C library: what is allocated by asking the system for it alone, and what is given back.
for bound in ("MMAP", "TRIM"):
    if "PYTEST_XDIST_WORKER" in os.environ:
        os.environ.pop(f"MALLOC_{bound}_THRESHOLD_", None)
    else:
        os.environ.setdefault(f"MALLOC_{bound}_THRESHOLD_", str(1 << 30))

# A shell ignores interrupts for what it starts in the background, and so would every program that
# the tests start and interrupt.
if (
    threading.current_thread() is threading.main_thread()
    and signal.getsignal(signal.SIGINT) is signal.SIG_IGN
):
    signal.signal(signal.SIGINT, signal.default_int_handler)


# An example that takes long on a busy machine is no fault: tests say nothing about time.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")


def pytest_collection_finish() -> None:
    """Leave alone what every library made when it was imported.

    Else the collector walks half a million objects again and again: a sixth of the time of
    tests that make many objects of their own, and a tenth of the imports. What they make is
    looked through at every 20,000 objects, not every 700, which took 3 % of their time and found
    little.
    """
    gc.freeze()
    gc.enable()
    gc.set_threshold(20_000, 10, 10)
