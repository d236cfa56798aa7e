"""The command line: parse, call, print. Heavy imports wait until a command needs them."""

from __future__ import annotations

import os

# One thread for matrix products in every process, said before NumPy is imported: more of them
# change the last bits, and --workers says how many processors to use.
os.environ.update(
    dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
)

# the order of import is the order of help
# isort: off
from ebbmap.cli.application import app
from ebbmap.cli import study  # noqa: F401
from ebbmap.cli import committee  # noqa: F401
from ebbmap.cli import new  # noqa: F401
from ebbmap.cli import lung  # noqa: F401
from ebbmap.cli import explore  # noqa: F401
from ebbmap.cli import trace  # noqa: F401
from ebbmap.cli import reference  # noqa: F401
from ebbmap.cli import extend  # noqa: F401
from ebbmap.cli import site  # noqa: F401
# isort: on

__all__ = ["app"]
