"""`python -m lightgap`, where the command itself is not on the path."""

import sys

from lightgap.cli import main

if __name__ == "__main__":
    sys.exit(main())
