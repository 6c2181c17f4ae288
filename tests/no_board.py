"""A door where the board's would be, for services of tests that ask no board for anything.

    python -m tests.no_board PORT

A board in its own process costs 1.2 s of processor time at each start.
"""

import signal
import socket
import sys

signal.signal(signal.SIGTERM, lambda *_: sys.exit())
with socket.create_server(("127.0.0.1", int(sys.argv[1]))):
    signal.pause()
