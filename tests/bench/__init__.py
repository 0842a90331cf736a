"""Scenes with known truth, and the programs that measure the tool on them.

Each program is run from the top of the repository: ``python -m tests.bench.NAME --help``.
"""

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # one core each; before numpy is loaded
