"""The desktop GIS, where it is installed."""

import subprocess

import pytest

GIS_PYTHON = "/usr/bin/python3"


@pytest.fixture(scope="module")
def gis():
    """The Python that has the desktop GIS."""
    if subprocess.run([GIS_PYTHON, "-c", "import qgis.core"], capture_output=True, check=False).returncode:
        pytest.skip("the desktop GIS is not installed: apt-get install python3-qgis qgis-providers")
    return GIS_PYTHON
