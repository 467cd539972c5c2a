"""Where the made clouds and the servers of these tests are found."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
