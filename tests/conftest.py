"""What holds for all tests.

Hypothesis draws the same examples in every run, so that a red run is red again;
HYPOTHESIS_PROFILE=default draws new ones. A shell starts what runs behind it deaf to interrupts,
and so what that starts: tests of Ctrl-C have to hear them all the same.
"""

import os
import signal

from hypothesis import settings

settings.register_profile("repeatable", derandomize=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "repeatable"))

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
