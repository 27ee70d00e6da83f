"""``cardreader`` and ``python -m cardreader``."""

import sys


def start() -> int:
    """Run the command; Ctrl-C is one line also while its modules are still being loaded."""
    try:
        from cardreader.cli import main

        return main()
    except KeyboardInterrupt:
        print("cardreader: stopped", file=sys.stderr)
        return 130


if __name__ == "__main__":
    sys.exit(start())
