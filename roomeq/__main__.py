"""Run the command line: ``python -m roomeq``."""

import sys

from roomeq.cli.main import main

sys.exit(main())
