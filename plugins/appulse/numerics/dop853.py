"""One step of DOP853 for many bodies at once, with an error for each body of its own.

Source: Hairer, Norsett & Wanner 1993, *Solving Ordinary Differential Equations I*, 2nd ed., II.5 and II.6.
The step may be one number for all bodies, or one per body with its own time.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from appulse.numerics.dop853_numbers import DENSE, FIFTH, NODES, STAGES_BELOW_DIAGONAL, THIRD

ERROR_EXPONENT = 1.0 / 8.0
# A step is chosen a little shorter than the error allows, and never changes wildly: Hairer et al., II.4.
SAFETY, SHRINK, GROW = 0.9, 0.2, 6.0
STAGES = 12


class Tableau(NamedTuple):
    """Coefficients: stages 0 to 11 make the step, 12 is its end, 13 to 15 serve interpolation only."""

    stages: np.ndarray
    nodes: np.ndarray
    weights: np.ndarray
    third: np.ndarray
    fifth: np.ndarray
    dense: np.ndarray


@lru_cache(maxsize=1)
def tableau() -> Tableau:
    """The method's coefficients, as scipy publishes them (equal to the printed ones to the last bit)."""
    stages = np.zeros((16, 16))
    for i, row in enumerate(STAGES_BELOW_DIAGONAL, start=1):
        stages[i, :i] = row
    nodes, third, fifth, dense = (np.array(numbers) for numbers in (NODES, THIRD, FIFTH, DENSE))
    return Tableau(stages, nodes, stages[STAGES, :STAGES].copy(), third, fifth, dense)


class Dop853Step:
    """The stages of one step of states y (6, n) over h days, with the derivative ``first`` at its start."""

    # ``rate(i, y) -> (6, n)`` is the derivative at stage i, at the tableau's node i; the caller has looked up
    # the perturbers beforehand. ``end`` is the state after the step, ``end_rate`` the derivative there: the
    # ``first`` of the next step.

    def __init__(self, rate, y, h, first):
        self.y, self.h = y, h
        self._table = table = tableau()
        self.k = np.empty((16, *y.shape))
        self._flat = self.k.reshape(16, -1)
        self.k[0] = first
        for i in range(1, STAGES):
            self.k[i] = rate(i, y + h * self._mix(table.stages[i, :i]))
        self.end = y + h * self._mix(table.weights)
        # The derivative at the end is a stage of the error estimate and the next step's first: paid once.
        self.k[STAGES] = rate(STAGES, self.end)
        self.end_rate = self.k[STAGES]

    def _mix(self, weights):
        return (weights @ self._flat[: len(weights)]).reshape(self.y.shape)

    def error(self, scale: np.ndarray):
        """Error (n,) of each body in units of its tolerance (6, n): 1 is the limit, no number is infinite."""
        five = self._mix(self._table.fifth) / scale
        three = self._mix(self._table.third) / scale
        five2 = np.einsum("cn,cn->n", five, five)
        three2 = np.einsum("cn,cn->n", three, three)
        # The estimate of order 5, damped by that of order 3: alone it is too pessimistic for short steps.
        # scipy sums over all components; here each body has its own, so that one cannot hide among many.
        bottom = np.sqrt((five2 + 0.01 * three2) * len(scale))
        size = np.abs(self.h) * np.where(bottom > 0, five2 / np.where(bottom > 0, bottom, 1.0), 0.0)
        return np.where(np.isfinite(size), size, np.inf)

    def dense(self, rate):
        """Coefficients (8, 6, n) of the interpolation of order 7; asks ``rate`` for stages 13 to 15."""
        for i in range(13, 16):
            self.k[i] = rate(i, self.y + self.h * self._mix(self._table.stages[i, :i]))
        out = np.empty((8, *self.y.shape))
        delta = self.end - self.y
        out[0], out[1] = self.y, delta
        out[2] = self.h * self.k[0] - delta
        out[3] = 2.0 * delta - self.h * (self.k[12] + self.k[0])
        out[4:] = self.h * (self._table.dense @ self._flat).reshape(4, *self.y.shape)
        return out


def interpolate(coefficients: np.ndarray, x: np.ndarray) -> np.ndarray:
    """State (6, ...) at fraction x of a step, from the coefficients of :meth:`Dop853Step.dense`."""
    y = np.zeros(np.broadcast_shapes(coefficients.shape[1:], np.shape(x)))
    # The polynomial is nested in x and 1 - x in turn, so that both ends are met exactly: Hairer et al., II.6.
    for i, term in enumerate(coefficients[:0:-1]):
        y = (y + term) * (x if i % 2 == 0 else 1.0 - x)
    return y + coefficients[0]


def step_factor(error: np.ndarray) -> np.ndarray:
    """Factor by which a step with this error may change: 0.9 at the limit, 6 where there is none."""
    with np.errstate(divide="ignore"):
        return np.clip(SAFETY * np.asarray(error, dtype=float) ** -ERROR_EXPONENT, SHRINK, GROW)
