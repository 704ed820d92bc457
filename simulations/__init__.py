"""Invented sites with a known truth, to hold the stated figures against."""

import os

# Small matrices by the million: threads inside each product only get in one another's way. Before
# numpy is imported, or it is of no use.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
