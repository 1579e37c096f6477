"""One BLAS thread: on a shared machine two turned a 0.65 ms product into 32 ms."""

import os

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[variable] = "1"
