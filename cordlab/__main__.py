"""`python -m cordlab`: the command line."""

import sys

from cordlab.cli import main

sys.exit(main())
