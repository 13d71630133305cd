"""What every test may lean on."""

import numpy as np
import pytest


@pytest.fixture(
    params=[float, np.asarray, lambda v: np.full((3, 2), v)], ids=["scalar", "0-d", "2-d"]
)
def shaped(request):
    """Turn a number into a scalar, a 0-d and a 2-d array: every formula takes all three."""
    return request.param
