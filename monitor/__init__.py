"""Service that stores readings from MQTT, evaluates them and sends notices."""

import os

__version__ = "0.1.0"

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
"""Set before NumPy loads: its matrices here are small, and threads that wait for each other took more
than half of a night's learning on two busy cores. Child processes inherit it."""
