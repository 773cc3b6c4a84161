"""One thread for a maths library: its own crew gains nothing on sums of our size, and waits for work by turning."""

import os
from typing import Final

VARIABLES: Final = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
"""What the libraries that numpy may be built with read once, when it is first imported."""


def one_thread_each() -> None:
    """Have numpy, where it is not imported yet, work in the thread that asks. What a person has set stands."""
    for name in VARIABLES:
        os.environ.setdefault(name, "1")
