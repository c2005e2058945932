"""One step of DOP853 for many bodies at once, with an error for each body of its own.

Source: Hairer, Norsett & Wanner 1993, *Solving Ordinary Differential Equations I*, 2nd ed., II.5 and II.6.
The step may be one number for all bodies, or one per body with its own time.
The numbers stand here as scipy writes them: importing them from scipy.integrate takes a tenth of a second,
which every start of the program would pay; a test holds them equal to scipy's to the last bit.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np

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


# fmt: off
# Rows 1 to 15 of the stages, each up to the diagonal; row 12 is the step itself.
STAGES_BELOW_DIAGONAL = (
    (0.05260015195876773,),
    (0.0197250569845379, 0.0591751709536137),
    (0.02958758547680685, 0.0, 0.08876275643042054),
    (0.2413651341592667, 0.0, -0.8845494793282861, 0.924834003261792),
    (0.037037037037037035, 0.0, 0.0, 0.17082860872947386, 0.12546768756682242),
    (0.037109375, 0.0, 0.0, 0.17025221101954405, 0.06021653898045596, -0.017578125),
    (
        0.03709200011850479, 0.0, 0.0, 0.17038392571223998, 0.10726203044637328, -0.015319437748624402,
        0.008273789163814023
    ),
    (
        0.6241109587160757, 0.0, 0.0, -3.3608926294469414, -0.868219346841726, 27.59209969944671,
        20.154067550477894, -43.48988418106996
    ),
    (
        0.47766253643826434, 0.0, 0.0, -2.4881146199716677, -0.590290826836843, 21.230051448181193,
        15.279233632882423, -33.28821096898486, -0.020331201708508627
    ),
    (
        -0.9371424300859873, 0.0, 0.0, 5.186372428844064, 1.0914373489967295, -8.149787010746927,
        -18.52006565999696, 22.739487099350505, 2.4936055526796523, -3.0467644718982196
    ),
    (
        2.273310147516538, 0.0, 0.0, -10.53449546673725, -2.0008720582248625, -17.9589318631188,
        27.94888452941996, -2.8589982771350235, -8.87285693353063, 12.360567175794303, 0.6433927460157636
    ),
    (
        0.054293734116568765, 0.0, 0.0, 0.0, 0.0, 4.450312892752409, 1.8915178993145003, -5.801203960010585,
        0.3111643669578199, -0.1521609496625161, 0.20136540080403034, 0.04471061572777259
    ),
    (
        0.056167502283047954, 0.0, 0.0, 0.0, 0.0, 0.0, 0.25350021021662483, -0.2462390374708025,
        -0.12419142326381637, 0.15329179827876568, 0.00820105229563469, 0.007567897660545699, -0.008298
    ),
    (
        0.03183464816350214, 0.0, 0.0, 0.0, 0.0, 0.028300909672366776, 0.053541988307438566,
        -0.05492374857139099, 0.0, 0.0, -0.00010834732869724932, 0.0003825710908356584,
        -0.00034046500868740456, 0.1413124436746325
    ),
    (
        -0.42889630158379194, 0.0, 0.0, 0.0, 0.0, -4.697621415361164, 7.683421196062599, 4.06898981839711,
        0.3567271874552811, 0.0, 0.0, 0.0, -0.0013990241651590145, 2.9475147891527724, -9.15095847217987
    ),
)
# Times of the stages as shares of the step.
NODES = (
    0.0, 0.05260015195876773, 0.0789002279381516, 0.1183503419072274, 0.2816496580927726,
    0.3333333333333333, 0.25, 0.3076923076923077, 0.6512820512820513, 0.6, 0.8571428571428571, 1.0, 1.0,
    0.1, 0.2, 0.7777777777777778,
)
# Error estimate of order 3, over stages 0 to 11.
THIRD = (
    -0.18980075407240762, 0.0, 0.0, 0.0, 0.0, 4.450312892752409, 1.8915178993145003, -5.801203960010585,
    -0.4226823213237919, -0.1521609496625161, 0.20136540080403034, 0.02265179219836082,
)
# Error estimate of order 5.
FIFTH = (
    0.01312004499419488, 0.0, 0.0, 0.0, 0.0, -1.2251564463762044, -0.4957589496572502, 1.6643771824549864,
    -0.35032884874997366, 0.3341791187130175, 0.08192320648511571, -0.022355307863886294,
)
# Interpolation of order 7 over all sixteen stages.
DENSE = (
    (
        -8.428938276109013, 0.0, 0.0, 0.0, 0.0, 0.5667149535193777, -3.0689499459498917, 2.38466765651207,
        2.117034582445028, -0.871391583777973, 2.2404374302607883, 0.6315787787694688, -0.08899033645133331,
        18.148505520854727, -9.194632392478356, -4.436036387594894
    ),
    (
        10.427508642579134, 0.0, 0.0, 0.0, 0.0, 242.28349177525817, 165.20045171727028, -374.5467547226902,
        -22.113666853125306, 7.733432668472264, -30.674084731089398, -9.332130526430229, 15.697238121770845,
        -31.139403219565178, -9.35292435884448, 35.81684148639408
    ),
    (
        19.985053242002433, 0.0, 0.0, 0.0, 0.0, -387.0373087493518, -189.17813819516758, 527.8081592054236,
        -11.57390253995963, 6.8812326946963, -1.0006050966910838, 0.7777137798053443, -2.778205752353508,
        -60.19669523126412, 84.32040550667716, 11.99229113618279
    ),
    (
        -25.69393346270375, 0.0, 0.0, 0.0, 0.0, -154.18974869023643, -231.5293791760455, 357.6391179106141,
        93.40532418362432, -37.45832313645163, 104.0996495089623, 29.8402934266605, -43.53345659001114,
        96.32455395918828, -39.17726167561544, -149.72683625798564
    ),
)
# fmt: on
