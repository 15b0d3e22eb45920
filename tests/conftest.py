"""Put the shared test material on the import path; one thread for the linear algebra library.

Many small matrix products: threads only get in each other's way, as in `roomeq.cli.main`.
"""

import os
import sys
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))
