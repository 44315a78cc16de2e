"""`python -m dncd` is the command `dncd`."""

import sys

from dncd.cli import main

sys.exit(main())
