"""Property tests say the same thing twice: a red run is a change of the code, not of the dice.

`HYPOTHESIS_PROFILE=search pytest` looks for new cases instead.
"""

import os

from hypothesis import settings

settings.register_profile("steady", derandomize=True, deadline=None)
settings.register_profile("search", derandomize=False, deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "steady"))
