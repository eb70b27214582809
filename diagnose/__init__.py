"""The engine: readings in, assessment out. It needs no web server and no database."""

import os

# The arrays are small: a second thread of the linear algebra makes each product many times slower
# on a busy machine. It is read once, when numpy is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
