"""``python -m benchcon``."""

import sys

from benchcon.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
