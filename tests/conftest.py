"""Settings of all tests."""

import os

from hypothesis import settings

# On a build machine the same examples are tried each time, so that a failure means the change and not the draw;
# everywhere else the draw goes on, and what it finds is kept as an example.
settings.register_profile("ci", derandomize=True, deadline=None, print_blob=True)
if os.environ.get("CI"):
    settings.load_profile("ci")
