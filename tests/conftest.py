"""Settings that all tests share.

Generated examples are the same in every run, so that a failure is one of the change at hand;
``HYPOTHESIS_PROFILE=explore`` looks for new ones.
"""

import os

from hypothesis import settings

settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("explore", deadline=None, max_examples=1000)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "same"))
