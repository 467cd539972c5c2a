"""Makes the simulated walks importable for the tests of this folder."""

import importlib.util
import sys
from pathlib import Path

import pytest

_PATH = Path(__file__).with_name("walks.py")


@pytest.fixture(scope="session")
def walks():
    """Simulated walks with known truth."""
    spec = importlib.util.spec_from_file_location("simulated_walks", _PATH)
    module = importlib.util.module_from_spec(spec)
    sys.modules["simulated_walks"] = module
    spec.loader.exec_module(module)
    return module
