"""What all tests share: how property tests draw their cases.

On a contributor's machine every run draws new cases and so searches on. CI draws the same ones each time, so that a
change is judged by what it changes.
"""

import os

from hypothesis import settings

settings.register_profile("same-cases", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("same-cases")
