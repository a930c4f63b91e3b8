"""liveassist: hears every drum hit beside your recorder and says in numbers what changed."""

import os

# Before numpy is first imported: products of matrices as small as ours take up to three times as
# long shared among threads, and the machine has a recording to make. A value already set is kept.
for _threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")

__version__ = "0.1.0"
