"""labbench: find out which variable makes repairs of laminated glass fail."""

import os

# One thread for linear algebra: the matrices are small, many threads only get in each other's way, and the same bytes come
# out whatever the number of cores. It must be said before numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
