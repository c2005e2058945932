"""One step of DOP853 for many bodies at once, with an error for each body of its own.

Source: Hairer, Norsett & Wanner 1993, *Solving Ordinary Differential Equations I*, 2nd ed., II.5 and II.6.
The step may be one number for all bodies, or one per body with its own time.
"""

import numpy as np

from appulse.numerics.dop853_tableau import E3, E5, STAGES, A, B, C, D

ERROR_EXPONENT = 1.0 / 8.0
SAFETY, SHRINK, GROW = 0.9, 0.2, 6.0


class Step:
    """The stages of one step from (t, y) over h.

    Parameters
    ----------
    rate : callable
        ``rate(i, y) -> (6, n)``: derivative at stage ``i`` (nodes ``C[i]``); the caller has looked up the
        perturbers beforehand.
    y : (6, n) array
    h : float or (n,) array, d
    first : (6, n) array
        Derivative at the start.

    Attributes
    ----------
    end : (6, n) array
        State after the step.
    end_rate : (6, n) array
        Derivative there: the ``first`` of the next step.

    Examples
    --------
    Growth at the unit rate over one unit of time:

    >>> start = np.ones((6, 1))
    >>> step = Step(lambda i, y: y, start, 1.0, start)
    >>> round(float(step.end[0, 0]), 6)
    2.718282
    """

    def __init__(self, rate, y, h, first):
        self.y, self.h = y, h
        self.k = np.empty((16, *y.shape))
        self._flat = self.k.reshape(16, -1)
        self.k[0] = first
        for i in range(1, STAGES):
            self.k[i] = rate(i, y + h * self._mix(A[i, :i]))
        self.end = y + h * self._mix(B)
        self.k[STAGES] = rate(STAGES, self.end)
        self.end_rate = self.k[STAGES]

    def _mix(self, weights):
        return (weights @ self._flat[: len(weights)]).reshape(self.y.shape)

    def error(self, scale):
        """Error of each body in units of its tolerance.

        Parameters
        ----------
        scale : (6, n) array
            Tolerated error of each component.

        Returns
        -------
        (n,) array; 1 is the limit. NaN or infinity counts as infinite.
        """
        five = self._mix(E5) / scale
        three = self._mix(E3) / scale
        five2 = np.einsum("cn,cn->n", five, five)
        three2 = np.einsum("cn,cn->n", three, three)
        bottom = np.sqrt((five2 + 0.01 * three2) * len(scale))
        size = np.abs(self.h) * np.where(bottom > 0, five2 / np.where(bottom > 0, bottom, 1.0), 0.0)
        return np.where(np.isfinite(size), size, np.inf)

    def dense(self, rate):
        """Coefficients (8, 6, n) of the interpolation of order 7: the start, then the seven terms.

        Parameters
        ----------
        rate : callable
            As in the constructor, asked for stages 13 to 15.
        """
        for i in range(13, 16):
            self.k[i] = rate(i, self.y + self.h * self._mix(A[i, :i]))
        out = np.empty((8, *self.y.shape))
        delta = self.end - self.y
        out[0], out[1] = self.y, delta
        out[2] = self.h * self.k[0] - delta
        out[3] = 2.0 * delta - self.h * (self.k[12] + self.k[0])
        out[4:] = self.h * (D @ self._flat).reshape(4, *self.y.shape)
        return out


def interpolate(coefficients, x):
    """State inside a step.

    Parameters
    ----------
    coefficients : (8, 6, ...) array from :meth:`Step.dense`
    x : array that broadcasts against (...)
        Fraction of the step, 0 at its start and 1 at its end.

    Returns
    -------
    (6, ...) array

    Examples
    --------
    >>> start = np.ones((6, 1))
    >>> grow = lambda i, y: y
    >>> middle = interpolate(Step(grow, start, 0.1, start).dense(grow), 0.5)
    >>> round(float(middle[0, 0] - np.exp(0.05)), 12) + 0.0
    0.0
    """
    y = np.zeros(np.broadcast_shapes(coefficients.shape[1:], np.shape(x)))
    for i, term in enumerate(coefficients[:0:-1]):
        y = (y + term) * (x if i % 2 == 0 else 1.0 - x)
    return y + coefficients[0]


def step_factor(error):
    """Factor by which a step with this error may change.

    Examples
    --------
    >>> float(step_factor(np.array(1.0))), float(step_factor(np.array(0.0)))
    (0.9, 6.0)
    """
    with np.errstate(divide="ignore"):
        return np.clip(SAFETY * np.asarray(error, dtype=float) ** -ERROR_EXPONENT, SHRINK, GROW)


NODES = C
