"""What all tests share: how property tests draw their cases.

On a contributor's machine every run draws new cases and so searches on. CI draws the same ones each time, so that a
change is judged by what it changes. No case has a time in which it must be done: machines are shared.
"""

import os

from hypothesis import settings

settings.register_profile("new-cases", deadline=None)
settings.register_profile("same-cases", deadline=None, derandomize=True)
settings.load_profile("same-cases" if os.environ.get("CI") else "new-cases")
