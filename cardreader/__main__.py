"""``cardreader`` and ``python -m cardreader``."""

import gc
import sys

_NEW_OBJECTS = 200_000
"""By which the collector is called, in place of 700: a start makes some 70,000 objects that
nearly all stay, and looking through them for garbage even once takes a fortieth of it."""


def start() -> int:
    """Run the command; Ctrl-C is one line also while its modules are still being loaded."""
    gc.set_threshold(_NEW_OBJECTS, *gc.get_threshold()[1:])
    try:
        from cardreader.cli import main

        return main()
    except KeyboardInterrupt:
        print("cardreader: stopped", file=sys.stderr)
        return 130
    finally:
        gc.freeze()  # or all that was loaded is gone through twice more as Python ends


if __name__ == "__main__":
    sys.exit(start())
