"""Hypothesis draws the same examples in every run, so that a red run is red again.

HYPOTHESIS_PROFILE=default draws new ones.
"""

import os

from hypothesis import settings

settings.register_profile("repeatable", derandomize=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "repeatable"))
