"""Covariance of the bins of a stamp: noise of each, and structure, which a few smooth functions hold.

::

    C = N + B S B'       B (bins, few): functions that hold every kind of structure of the stamp
    S = R R'             R (few, fewer): a kind of structure, or two beside each other

With M = 1 + R' B' N^-1 B R every product with the inverse is one of so few (Woodbury 1950, Princeton Memo
42). Of B' N^-1 B the cases of a stamp share all; strengths of one kind share all but the root of M.
"""

from functools import cached_property

import numpy as np
from scipy import linalg

HARDLY = 0.01
"""A change of a bin's noise by less than this part changes no place: the old one is kept."""


class PixelCovariance:
    """N + B R R' B' with its inverse: noise (n,), B (n, few), R (few, fewer) and the lower root of M.

    Two kinds of structure beside each other are two parts of R and of the root, with what is `between`.
    """

    def __init__(self, noise, functions=None, parts=(), roots=(), between=None):
        self.noise, self.functions = noise, functions
        self._parts, self.roots, self._between = parts, roots, between
        self.log_det = float(np.sum(np.log(noise)))
        for root in roots:
            self.log_det += 2 * float(np.sum(np.log(np.diag(root))))

    @classmethod
    def of(cls, noise, functions=None, inner=None) -> "PixelCovariance":
        """With R = 1, and `inner` = B' N^-1 B."""
        return cls(noise) if functions is None else cls(noise, functions, (), (_root(inner),))

    @cached_property
    def root(self) -> np.ndarray:
        """Lower root of M."""
        if len(self.roots) == 1:
            return self.roots[0]
        first, second = self.roots
        return np.block([[first, np.zeros((len(first), len(second)))], [self._between.T, second]])

    @cached_property
    def mix(self) -> np.ndarray | None:
        """R; None where it is 1."""
        return np.concatenate(self._parts, axis=1) if self._parts else None

    def _mixed(self, columns):
        return columns if self.mix is None else self.mix.T @ columns

    def _unmixed(self, weights):
        return weights if self.mix is None else self.mix @ weights

    def _structure(self, columns):
        """What structure takes of each column, as weights of B R."""
        scaled = self._mixed(self.functions.T @ (columns.T / self.noise).T)
        return linalg.cho_solve((self.root, True), scaled, check_finite=False)

    def whitened(self, columns) -> np.ndarray:
        """Columns (n, k) as others, (n or more, k), whose products are those with the inverse between."""
        root = np.sqrt(self.noise)
        if self.functions is None:
            return (columns.T / root).T
        weights = self._structure(columns)
        rest = columns - self.functions @ self._unmixed(weights)
        return np.concatenate([(rest.T / root).T, weights])

    def solved(self, column) -> np.ndarray:
        """The inverse times a column."""
        if self.functions is not None:
            column = column - self.functions @ self._unmixed(self._structure(column))
        return column / self.noise

    def inverse_diagonal(self, rows=slice(None)) -> np.ndarray:
        """The diagonal of the inverse, of some rows."""
        noise = self.noise[rows]
        if self.functions is None:
            return 1.0 / noise
        scaled = self._mixed(self.functions[rows].T / noise)
        half = _forward(self.root, scaled)
        return 1.0 / noise - np.einsum("ij,ij->j", half, half)


def narrow_factor(matrix, tolerance: float) -> np.ndarray:
    """F with F F' = matrix, of as few columns as leave no more than the tolerance of any diagonal element."""
    lower, order = _pivoted(matrix, tolerance)
    factor = np.empty(lower.shape)
    factor[order] = lower
    return factor


def _pivoted(matrix, tolerance: float):
    """Lower trapezoid of the pivoted root, and which row of the matrix each of its rows is."""
    lower, order, rank, _ = linalg.lapack.dpstrf(matrix, tol=tolerance, lower=1)
    return np.tril(lower[:, :rank]), order - 1


class Functions:
    """B of a stamp, from the sum of all kinds of structure at their strongest, and R of each kind.

    ``total()`` is that sum, ``kernel(kind, rows)`` the covariance of a kind of strength 1 between some bins,
    both in units of their noise `sigma`; `strongest` the strength of each that is ever asked for. No more
    of structure is lost than `left_out` of a bin's noise. Nothing is worked out before a case asks for it.
    """

    def __init__(self, total, kernel, sigma, strongest: dict, left_out: float):
        self._total, self._kernel, self._sigma = total, kernel, sigma
        self._strongest, self._left_out = strongest, left_out
        self._kinds: dict = {}

    @cached_property
    def _pivoted(self):
        """B, which bins its columns begin at, and the root there."""
        lower, order = _pivoted(self._total(), self._left_out)
        values = np.empty(lower.shape)
        values[order] = (lower.T * self._sigma[order]).T
        rank = lower.shape[1]
        return values, order[:rank], lower[:rank]

    @property
    def values(self) -> np.ndarray:
        """B, (n, few)."""
        return self._pivoted[0]

    def mix(self, kind, strength: float) -> np.ndarray:
        """R of a kind of strength 1, of as many columns as a strength asks for."""
        if kind not in self._kinds:
            _, at, root = self._pivoted
            lower, order = _pivoted(self._kernel(kind, at), self._left_out / self._strongest[kind])
            factor = np.empty(lower.shape)
            factor[order] = lower
            mix = _forward(root, factor)
            self._kinds[kind] = mix, np.diag(lower) ** 2
        mix, pivots = self._kinds[kind]
        return mix[:, : max(int(np.sum(pivots * strength > self._left_out)), 1)]


class Weighed:
    """The functions of a stamp weighed by one noise of its bins, and what all cases of structure share of it.

    A case is a dict of one or two kinds of structure with their strengths; where there are two, the first is
    the same in all cases.
    """

    def __init__(self, functions: Functions, noise):
        self.functions, self.noise = functions, noise
        self._covariances: dict = {}
        self._shared: dict = {}

    @cached_property
    def inner(self) -> np.ndarray:
        """B' N^-1 B."""
        b = self.functions.values
        return b.T @ (b.T / self.noise).T

    def changed(self, noise) -> "Weighed":
        """With another noise; the same where that is hardly another."""
        other = np.flatnonzero(np.abs(noise - self.noise) > HARDLY * self.noise)
        if not len(other):
            return self
        kept = self.noise.copy()
        kept[other] = noise[other]
        weighed = Weighed(self.functions, kept)
        if "inner" in self.__dict__ and 2 * len(other) < len(noise):
            b = self.functions.values[other]
            weighed.inner = self.inner + b.T @ (b.T * (1.0 / kept[other] - 1.0 / self.noise[other])).T
        return weighed

    def terms(self, columns) -> "Terms":
        """Products of columns (n, k) with the inverse of the noise between."""
        return Terms(columns, (columns.T / self.noise).T, self.functions)

    def covariance(self, case: dict) -> PixelCovariance:
        """Of the bins, in a case of structure. LinAlgError where it is none."""
        key = tuple(case.items())
        if key not in self._covariances:
            self._covariances[key] = self._covariance(key)
        return self._covariances[key]

    def _covariance(self, key) -> PixelCovariance:
        if not key:
            return PixelCovariance(self.noise)
        parts = tuple(np.sqrt(strength) * self.functions.mix(kind, strength) for kind, strength in key)
        (kind, strength), first, n = key[-1], key[:-1], parts[-1].shape[1]
        root = _root(strength * self._own(kind, first)[:n, :n])
        if not first:
            return PixelCovariance(self.noise, self.functions.values, parts, (root,))
        between = np.sqrt(strength) * self._between(kind, first)[:, :n]
        roots = self.covariance(dict(first)).root, root
        return PixelCovariance(self.noise, self.functions.values, parts, roots, between)

    def _own(self, kind, first=()):
        """R' B' N^-1 B R of a kind at its strongest, after another has been taken out."""
        if (kind, first) not in self._shared:
            mix = self.functions.mix(kind, np.inf)
            if first:
                between = self._between(kind, first)
                known = self._own(kind) - between.T @ between
            else:
                known = mix.T @ self.inner @ mix
            self._shared[kind, first] = known
        return self._shared[kind, first]

    def _between(self, kind, first):
        """Root of M of the first kind, inverted, times what it has in common with another."""
        if ("between", kind, first) not in self._shared:
            pixels = self.covariance(dict(first))
            common = pixels.mix.T @ (self.inner @ self.functions.mix(kind, np.inf))
            self._shared["between", kind, first] = _forward(pixels.root, common)
        return self._shared["between", kind, first]

    def product(self, case: dict, terms: "Terms") -> np.ndarray:
        """A' times the inverse times A of columns, in a case of structure."""
        if not case:
            return terms.plain
        key, pixels = tuple(case.items()), self.covariance(case)
        (kind, strength), first, known = key[-1], key[:-1], terms.known
        if not first:
            half = _forward(pixels.root, pixels.mix.T @ terms.scaled)
            return terms.plain - half.T @ half
        if first not in known:
            one = self.covariance(dict(first))
            half = _forward(one.root, one.mix.T @ terms.scaled)
            known[first] = half, terms.plain - half.T @ half
        half, plain = known[first]
        if kind not in known:
            mix = self.functions.mix(kind, np.inf)
            known[kind] = mix.T @ terms.scaled - self._between(kind, first).T @ half
        root = pixels.roots[-1]
        half = _forward(root, np.sqrt(strength) * known[kind][: len(root)])
        return plain - half.T @ half


class Terms:
    """Products of columns with the inverse of the noise between: A' N^-1 A, and B' N^-1 A."""

    def __init__(self, columns, over_noise, functions: Functions):
        self.plain, self._over_noise, self._functions = columns.T @ over_noise, over_noise, functions
        self.known: dict = {}

    @cached_property
    def scaled(self) -> np.ndarray:
        """B' N^-1 A."""
        return self._functions.values.T @ self._over_noise


def _root(inner):
    """Lower root of 1 + a matrix."""
    inner = np.array(inner, order="F")
    inner.flat[:: len(inner) + 1] += 1.0
    root, failed = linalg.lapack.dpotrf(inner, lower=1, overwrite_a=1)
    if failed:
        raise linalg.LinAlgError("no covariance")
    return root


def _forward(root, columns):
    """The inverse of a lower root times columns."""
    return linalg.blas.dtrsm(1.0, root, columns, lower=1)
