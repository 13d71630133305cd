"""The vertical limits of S-44, held against its own formula and table."""

import numpy as np
import pytest
from scipy.stats import norm

from athwart.uncertainty.vertical import S44_TVU, Z95, s44_vertical, tvu


def test_95_percent_of_a_normal_lie_within_z95():
    assert pytest.approx(norm.ppf(0.975), rel=1e-15) == Z95


@pytest.mark.parametrize(
    ("order", "at_10", "at_40"),
    # IHO S-44 edition 6, table 1 (a and b read), its formula in section 3.2.3 computed.
    [
        ("exclusive", 0.1677, 0.3354),
        ("special", 0.2610, 0.3905),
        ("1", 0.5166, 0.7214),
        ("2", 1.0261, 1.3588),
    ],
)
def test_tvu_is_that_of_the_standard(order, at_10, at_40, shaped):
    assert tvu(shaped(10.0), order) == pytest.approx(at_10, abs=5e-5)
    assert tvu(shaped(40.0), order) == pytest.approx(at_40, abs=5e-5)


def test_the_strictest_limit_that_is_met_is_named():
    for order in S44_TVU:
        limit = tvu(np.array([0.0, 5.0, 100.0]), order)
        assert set(s44_vertical(limit, [0.0, 5.0, 100.0])) == {order}
        assert order not in set(s44_vertical(limit * 1.001, [0.0, 5.0, 100.0]))
    assert s44_vertical([0.1, np.nan], [np.nan, 3.0]).tolist() == ["", ""]
