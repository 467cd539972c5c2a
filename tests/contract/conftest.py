"""Let the contract tests import the checker, which lies beside them and is no part of the package."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
