"""The command in the tests' own process: what it says on both streams, and its code.

A process of its own imports for seconds what is here already. Tests that are about a process
(signals, limits, servers, what Python says by itself) still start one.
"""

from __future__ import annotations

import io
import os
import subprocess
import warnings
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from unittest.mock import patch

from cardreader.cli import main


def run_cardreader(*words: str | Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """What ``cardreader`` with these words would give from a shell without a terminal."""
    said, complained = io.StringIO(), io.StringIO()
    kept = {k: v for k, v in os.environ.items() if not k.startswith("CARDREADER_")}
    with (
        patch.dict(os.environ, {**kept, **environment}, clear=True),
        patch("sys.stdin", io.StringIO()),
        redirect_stdout(said),
        redirect_stderr(complained),
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("default")
        code = main([str(word) for word in words])
    return subprocess.CompletedProcess(
        ["cardreader", *map(str, words)], code, said.getvalue(), complained.getvalue()
    )
