"""What is too steep for a mower."""

from lawngis.mower import built_in_profile
from lawngis.processing.derived.slope import too_steep


def test_the_limit_itself_is_mown():
    mower = built_in_profile()  # limit 35 %
    assert [too_steep(percent, mower) for percent in (34.9, 35.0, 35.1)] == [False, False, True]
