"""The slope of a terrain model in Python: the file of the command line, as an array."""

import numpy as np
import pytest
import rasterio

import lawngis
from lawngis.errors import PlanError


@pytest.fixture
def dem(build, tmp_path):
    return build.dem(tmp_path / "dem.tif")  # rises 2 % to the east


def test_values_lie_on_the_grid_of_the_terrain_model(dem):
    slope = lawngis.slope(str(dem))
    with rasterio.open(dem) as file:
        assert slope.values.shape == file.shape
        assert slope.transform == file.transform
        assert slope.crs.to_epsg() == file.crs.to_epsg()
    assert np.nanmedian(slope.values) == pytest.approx(2.0, rel=1e-3)  # by construction
    assert np.isnan(slope.values[0]).all(), "the border has no neighbours"


def test_units_are_those_asked_for(dem):
    assert np.nanmedian(lawngis.slope(dem, unit="degree").values) == pytest.approx(
        np.degrees(np.arctan(0.02)), rel=1e-3
    )
    assert np.nanmedian(lawngis.slope(dem, dem_unit="ft").values) == pytest.approx(2.0 * 0.3048, rel=1e-3)


def test_it_is_written_as_the_command_line_does(dem, tmp_path, lawngis):
    from lawngis import slope

    assert lawngis("slope", dem, "--out", tmp_path / "cli.tif").code == 0
    file = slope(dem).write(tmp_path / "ours.tif")
    assert file.read_bytes() == (tmp_path / "cli.tif").read_bytes()
    with pytest.raises(PlanError, match="is there already"):
        slope(dem).write(file)
