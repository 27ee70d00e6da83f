"""``python -m cardreader``."""

import sys

from cardreader.cli import main

if __name__ == "__main__":
    sys.exit(main())
