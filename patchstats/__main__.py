"""``python3 -m patchstats COMMAND``: works from a bare clone too (see :mod:`patchstats.launch`)."""

import sys

from patchstats.launch import main

if __name__ == "__main__":
    sys.exit(main())
