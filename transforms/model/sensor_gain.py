"""Error of effects by sensors that show a movement too large or too small, each machine's by its own factor.

A sensor with gain g shows g times the movement, so that the machine's slope on it is 1/g of the true one. Gains of a
few machines are indistinguishable from slopes of their own, so they are assumed: the mean over rows, of which the share
w_m is of machine m, has the additional variance

    (gamma b)^2 sum w_m^2                                                                                      (5.6)

with b the effect and gamma the standard deviation of gains.
"""

import numpy as np

from transforms.arrays import Mask
from transforms.config.settings_catalogue import Setting
from transforms.model.fit_result import ResponseFit

GAIN_SD = 0.1
"""Standard deviation of the gains of a setting's sensors on different machines, each calibrated on its own (common
practice, no source)."""


def gain_error(fit: ResponseFit, setting: Setting, rows: Mask, effect: float) -> float:
    """Return the standard error that unknown gains add to a setting's effect, log change per practical step.

    Args:
        fit: the fit.
        setting: the setting; a flag has no gain.
        rows: mask of the rows over which the effect is averaged, at least one, shape (n,).
        effect: the estimated effect, log change per practical step.
    """
    if setting.is_flag:
        return 0.0
    loads = np.bincount(fit.machines[rows])
    return GAIN_SD * abs(effect) * float(np.sqrt(np.sum((loads / loads.sum()) ** 2)))
