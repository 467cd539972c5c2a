"""What documents say of the data behind a plan."""

from __future__ import annotations

from lawngis.processing.deliver.formats import Formats
from lawngis.processing.deliver.reading import data_sources


def test_whom_to_name_and_how_good_each_layer_is():
    facts = {
        "attribution buildings": "Survey of Nowhere, CC BY 4.0",
        "attribution water": "Survey of Nowhere, CC BY 4.0",
        "attribution dem": "State of Nowhere",
        "accuracy.position_sd_m": "0.1",
        "accuracy.layers.buildings.position_sd_m": "1.0",
        "accuracy.layers.beds.position_sd_m": "None",
    }
    assert data_sources(facts, Formats("en_GB")) == [
        ("credit for buildings, water", "Survey of Nowhere, CC BY 4.0"),
        ("credit for dem", "State of Nowhere"),
        ("accuracy of mapped edges", "standard deviation 0.10 m"),
        ("accuracy of buildings", "standard deviation 1.00 m"),
    ]
