"""Each process of the tests keeps to one core.

They run a process a core. Threads of linear algebra on top of that wait for each other in
loops that burn the processor: factorising a (300, 300) matrix took 0.5 s of it in place of
1 ms. Programs that the tests start inherit the limit.
"""

import os

for library in ("OPENBLAS", "OMP", "MKL"):
    os.environ.setdefault(f"{library}_NUM_THREADS", "1")
