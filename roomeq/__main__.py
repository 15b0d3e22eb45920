"""Run the command line: ``python -m roomeq``."""

import sys

from roomeq.cli import main

sys.exit(main())
