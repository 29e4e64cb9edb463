"""Normal equations of an event: a stroke touches its neighbours and the shape, so the matrix is a band with a border.

The band is factored by LAPACK's banded Cholesky; the border, and the few things that tie all strokes to each other,
are eliminated by its Schur complement (Golub and Van Loan, Matrix Computations, section 3.2; Boyd and Vandenberghe,
Convex Optimization, appendix C.4). The work grows with the number of strokes, not with its cube.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded

from gaugelink.peak.events import FloatArray
from gaugelink.peak.fit_model import EVENT, LOCAL, SHARED

BORDER = SHARED + EVENT
"""Parameters of the event: those of the pulses, and two of the law between speed and period."""
_REACH = 4
"""Strokes that the widest tie between neighbours spans."""
_AUX = 4
"""Unknowns beside the parameters: a mean over the strokes, its multiplier, the row that ties them all, the anchor."""

_D, _I, _J = (np.ravel(index) for index in np.meshgrid(range(_REACH), range(LOCAL), range(LOCAL), indexing="ij"))
_LOWER = LOCAL * _D + _J - _I >= 0
_D, _I, _J = _D[_LOWER], _I[_LOWER], _J[_LOWER]
_ROW = LOCAL * _D + _J - _I


@dataclass(frozen=True, slots=True)
class Tie:
    """Rows of normalised residuals, r for every window of w neighbouring strokes; window m begins with stroke m."""

    residual: FloatArray
    """Shape (m, r)."""
    own: FloatArray
    """Shape (m, r, w, 6): derivatives for the parameters of those strokes."""
    border: FloatArray | None = None
    """Shape (m, r, 10): derivatives for the parameters of the event."""
    mean: FloatArray | None = None
    """Shape (m, r): derivatives for `Everywhere.mean`."""


@dataclass(frozen=True, slots=True)
class Everywhere:
    """What ties all strokes of an event."""

    mean: FloatArray
    """Shape (K, 6): derivatives of a quantity that rows may depend on besides their own strokes."""
    row: FloatArray
    """Shape (K, 6): one more row of the least squares, of residual `residual`."""
    residual: float
    anchor: FloatArray
    """Shape (K, 6), of one parameter: a row that the band is factored with and that is taken off again. Without it the
    band would be singular where only `row` says anything."""
    border: FloatArray
    """Shape (m, 10): rows that touch the parameters of the event alone."""
    border_residual: FloatArray
    """Shape (m,)."""


class Arrow:
    """Sums of squares over an event, and what is solved with them."""

    def __init__(self, ties: Sequence[Tie], everywhere: Everywhere) -> None:
        """Begin with the rows of a prior."""
        count = len(everywhere.row)
        self._everywhere = everywhere
        self._band = np.zeros((_REACH, count, LOCAL, LOCAL))
        self._side = np.zeros((count, LOCAL, BORDER))
        self._corner = everywhere.border.T @ everywhere.border
        self._gradient = -everywhere.row * everywhere.residual
        self._corner_gradient = -everywhere.border.T @ everywhere.border_residual
        # Rows with a `mean`: their products with it, over the strokes, the border and itself.
        self._mean_own = np.zeros((count, LOCAL))
        self._mean_border = np.zeros(BORDER)
        self._mean_square = 0.0
        for tie in ties:
            self._tie(tie)

    def _tie(self, tie: Tie) -> None:
        windows, rows, span, _ = tie.own.shape
        flat = tie.own.reshape(windows, rows, span * LOCAL)
        across = flat.transpose(0, 2, 1)
        squares = (across @ flat).reshape(windows, span, LOCAL, span, LOCAL)
        slope = (across @ tie.residual[:, :, None]).reshape(windows, span, LOCAL)
        side = None if tie.border is None else (across @ tie.border).reshape(windows, span, LOCAL, BORDER)
        mean = None if tie.mean is None else (across @ tie.mean[:, :, None]).reshape(windows, span, LOCAL)
        for a in range(span):
            strokes = slice(a, a + windows)
            self._gradient[strokes] -= slope[:, a]
            for b in range(a, span):
                self._band[b - a, strokes] += squares[:, a, :, b]
            if side is not None:
                self._side[strokes] += side[:, a]
            if mean is not None:
                self._mean_own[strokes] += mean[:, a]
        residual = tie.residual.ravel()
        if tie.border is not None:
            border = tie.border.reshape(-1, BORDER)
            self._corner += border.T @ border
            self._corner_gradient -= border.T @ residual
        if tie.mean is not None:
            self._gradient -= self._everywhere.mean * float(tie.mean.ravel() @ residual)
            self._mean_square += float((tie.mean**2).sum())
            if tie.border is not None:
                self._mean_border += tie.mean.ravel() @ tie.border.reshape(-1, BORDER)

    def add(self, square: FloatArray, slope: FloatArray) -> None:
        """Add the samples of every stroke: their squares and slopes for its own parameters and the shape's.

        `square` has shape (K, 6 + 7, 6 + 7) and `slope` (K, 6 + 7).
        """
        self._band[0] += square[:, :LOCAL, :LOCAL]
        self._side[:, :, :SHARED] += square[:, :LOCAL, LOCAL:]
        self._corner[:SHARED, :SHARED] += square[:, LOCAL:, LOCAL:].sum(axis=0)
        self._gradient += slope[:, :LOCAL]
        self._corner_gradient[:SHARED] += slope[:, LOCAL:].sum(axis=0)

    def gradient(self) -> FloatArray:
        """Of the cost, turned round: the right side of the equations, shape (6 K + 9,)."""
        return np.concatenate((self._gradient.ravel(), self._corner_gradient))

    def solved(self, damping: float) -> FloatArray:
        """Step that solves the equations with a share `damping` of the diagonal added, shape (6 K + 9,).

        Raises:
            numpy.linalg.LinAlgError: the matrix of the strokes is not positive definite.
        """
        return self._factor(self._own_diagonal(), damping).solve(self._gradient.ravel(), self._corner_gradient)

    def factored(self, looser: FloatArray | None = None) -> "Factored":
        """The matrix, with `looser` (shape (K, 6)) added to the diagonal, factored.

        Raises:
            numpy.linalg.LinAlgError: the matrix of the strokes is not positive definite.
        """
        own = self._own_diagonal()
        if looser is None:
            return self._factor(own, 0.0)
        return self._factor(own + looser, looser / (own + looser))

    def _own_diagonal(self) -> FloatArray:
        """Diagonal of the whole matrix for the strokes' parameters, shape (K, 6)."""
        whole = self._everywhere
        squares = np.einsum("kii->ki", self._band[0])
        out: FloatArray = squares + 2.0 * whole.mean * self._mean_own + self._mean_square * whole.mean**2 + whole.row**2
        return out

    def _factor(self, diagonal: FloatArray, added: FloatArray | float) -> "Factored":
        """Factor with the strokes' parameters scaled by `diagonal` and then `added` to their diagonal.

        Seconds and kilopascals differ by many orders: scaled to a diagonal of ones. A single number is added to that of
        the border too.
        """
        whole, count = self._everywhere, len(self._gradient)
        if not (diagonal > 0.0).all():
            raise np.linalg.LinAlgError("neither the prior nor a sample says anything of a parameter")
        size, border_size = 1.0 / np.sqrt(diagonal), 1.0 / np.sqrt(np.diag(self._corner))
        band = self._band.copy()
        for d in range(min(_REACH, count)):
            band[d, : count - d] *= size[: count - d, :, None] * size[d:, None, :]
        anchor = whole.anchor * size
        index = np.arange(LOCAL)
        band[0][:, index, index] += added + anchor**2
        lower = np.zeros((LOCAL * _REACH, count, LOCAL))
        lower[_ROW, :, _I] = band[_D, :, _I, _J]
        side = np.zeros((count, LOCAL, BORDER + _AUX))
        end = np.zeros((BORDER + _AUX, BORDER + _AUX))
        mean, multiplier, row, anchored = range(BORDER, BORDER + _AUX)
        side[:, :, :BORDER] = self._side * size[:, :, None] * border_size
        side[:, :, mean] = self._mean_own * size
        side[:, :, multiplier] = -whole.mean * size
        side[:, :, row] = whole.row * size
        side[:, :, anchored] = anchor
        end[:BORDER, :BORDER] = self._corner * border_size[:, None] * border_size
        if isinstance(added, float):
            end[range(BORDER), range(BORDER)] += added
        end[mean, :BORDER] = end[:BORDER, mean] = self._mean_border * border_size
        end[mean, mean] = self._mean_square
        end[mean, multiplier] = end[multiplier, mean] = 1.0
        end[row, row] = -1.0
        end[anchored, anchored] = 1.0
        return Factored(lower.reshape(LOCAL * _REACH, -1), side.reshape(LOCAL * count, -1), end, size, border_size)


class Factored:
    """A factored arrow: see `Arrow.factored`."""

    def __init__(
        self, lower: FloatArray, side: FloatArray, end: FloatArray, size: FloatArray, border_size: FloatArray
    ) -> None:
        self._size, self._border_size = size, border_size
        self._side = side
        self._lower = cholesky_banded(lower, lower=True, check_finite=False)
        self._through = cho_solve_banded((self._lower, True), side, check_finite=False)
        self._end = end - side.T @ self._through

    def solve(self, own: FloatArray, border: FloatArray) -> FloatArray:
        """Solution for a right side, shape (6 K,) and (9,); one vector of shape (6 K + 9,)."""
        first = cho_solve_banded((self._lower, True), own * self._size.ravel(), check_finite=False)
        right = np.zeros(BORDER + _AUX)
        right[:BORDER] = border * self._border_size
        last = np.linalg.solve(self._end, right - self._side.T @ first)
        return np.concatenate(((first - self._through @ last) * self._size.ravel(), last[:BORDER] * self._border_size))

    def log_determinant(self) -> float:
        """Logarithm of the determinant.

        Raises:
            numpy.linalg.LinAlgError: the whole matrix is not positive definite.
        """
        sign, end = np.linalg.slogdet(self._end)
        sizes = np.log(self._size).sum() + np.log(self._border_size).sum()
        out = float(end + 2.0 * np.log(self._lower[0]).sum() - 2.0 * sizes)
        # Two negative directions belong to the unknowns beside the parameters; any other is none of a maximum.
        if sign <= 0.0 or not np.isfinite(out):
            raise np.linalg.LinAlgError("the normal matrix is not positive definite")
        return out

    def covariance(self) -> "Covariance":
        """The parts of the inverse that are asked for."""
        count = len(self._size)
        blocks = self._own_blocks()
        end = np.linalg.inv(self._end)
        through = self._through.reshape(count, LOCAL, -1)
        across = through @ end
        own = blocks + across @ through.transpose(0, 2, 1)
        scale, border = self._size, self._border_size
        return Covariance(
            own * scale[:, :, None] * scale[:, None, :],
            -across[:, :, :BORDER] * scale[:, :, None] * border,
            end[:BORDER, :BORDER] * border[:, None] * border,
        )

    def _own_blocks(self) -> FloatArray:
        """Of the inverse of the band, the blocks on its diagonal, shape (K, 6, 6).

        From the last stroke back, a block follows from those within the band behind it, and no others are needed
        (Erisman and Tinney, Communications of the ACM 18, 1975; Golub and Van Loan, section 4.3, for the band).
        """
        count = len(self._size)
        factor = np.zeros((count, LOCAL * _REACH, LOCAL))
        for column in range(LOCAL):
            factor[:, column:, column] = self._lower[: LOCAL * _REACH - column, column::LOCAL].T
        inverse = np.linalg.inv(factor[:, :LOCAL])
        through = factor[:, LOCAL:] @ inverse
        out = inverse.transpose(0, 2, 1) @ inverse
        behind = np.zeros((LOCAL * (_REACH - 1), LOCAL * (_REACH - 1)))
        for k in range(count - 1, -1, -1):
            beside = behind @ through[k]
            out[k] += through[k].T @ beside
            kept, near = behind[:-LOCAL, :-LOCAL].copy(), beside[:-LOCAL]
            behind[LOCAL:, LOCAL:] = kept
            behind[:LOCAL, :LOCAL] = out[k]
            behind[LOCAL:, :LOCAL] = -near
            behind[:LOCAL, LOCAL:] = -near.T
        return out


@dataclass(frozen=True, slots=True)
class Covariance:
    """Covariance of a stroke's parameters with each other and with those of the event."""

    own: FloatArray
    """Shape (K, 6, 6)."""
    across: FloatArray
    """Shape (K, 6, 9)."""
    border: FloatArray
    """Shape (9, 9)."""
