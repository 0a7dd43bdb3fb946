"""What every test run needs, however it was started."""

from __future__ import annotations

import signal

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # Started in the background of a script: Ctrl-C would be ignored here and in every program that a test starts.
    signal.signal(signal.SIGINT, signal.default_int_handler)
