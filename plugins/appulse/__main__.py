"""``python -m appulse``: the command line where the folder of installed programs is not on the path."""

import sys

from appulse.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
