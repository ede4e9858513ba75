"""The command line."""

import os

# Classes are worked out side by side; further threads in each product of matrices only get in
# each other's way.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
