"""``cardreader`` and ``python -m cardreader``."""

import gc
import sys

_NEW_OBJECTS = 50_000
"""By which the collector is called, in place of 700: a start makes hundreds of thousands of
objects that all stay, and looking through them for garbage time and again took a tenth of it."""


def start() -> int:
    """Run the command; Ctrl-C is one line also while its modules are still being loaded."""
    gc.set_threshold(_NEW_OBJECTS, *gc.get_threshold()[1:])
    try:
        from cardreader.cli import main

        return main()
    except KeyboardInterrupt:
        print("cardreader: stopped", file=sys.stderr)
        return 130


if __name__ == "__main__":
    sys.exit(start())
