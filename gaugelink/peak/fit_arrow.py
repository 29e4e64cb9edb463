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
"""Parameters of the event: those of the shape, and two of the law between speed and period."""
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
    """Rows of normalised residuals that touch strokes ``first + r`` to ``first + r + w - 1`` in row r."""

    residual: FloatArray
    """Shape (m,)."""
    first: int
    own: FloatArray
    """Shape (m, w, 6): derivatives for the parameters of those strokes."""
    border: FloatArray | None = None
    """Shape (m, 9): derivatives for the parameters of the event."""
    mean: FloatArray | None = None
    """Shape (m,): derivatives for `Everywhere.mean`."""


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
    """Shape (m, 9): rows that touch the parameters of the event alone."""
    border_residual: FloatArray
    """Shape (m,)."""


class Arrow:
    """Sums of squares over an event with `count` strokes, and what is solved with them."""

    def __init__(self, count: int) -> None:
        self.count = count
        self._band = np.zeros((_REACH, count, LOCAL, LOCAL))
        self._side = np.zeros((count, LOCAL, BORDER))
        self._corner = np.zeros((BORDER, BORDER))
        self._gradient = np.zeros((count, LOCAL))
        self._corner_gradient = np.zeros(BORDER)
        # Rows with a `mean`: their products with it, over the strokes, the border and itself.
        self._mean_own = np.zeros((count, LOCAL))
        self._mean_border = np.zeros(BORDER)
        self._mean_square = 0.0
        self._everywhere: Everywhere | None = None

    def tie(self, ties: Sequence[Tie], everywhere: Everywhere) -> None:
        """Add the rows of a prior."""
        self._everywhere = everywhere
        for tie in ties:
            self._add(tie, everywhere)
        self._gradient -= everywhere.row * everywhere.residual
        self._corner += everywhere.border.T @ everywhere.border
        self._corner_gradient -= everywhere.border.T @ everywhere.border_residual

    def _add(self, tie: Tie, everywhere: Everywhere) -> None:
        rows, span, _ = tie.own.shape
        flat = tie.own.reshape(rows, span * LOCAL)
        squares = (flat[:, :, None] * flat[:, None, :]).reshape(rows, span, LOCAL, span, LOCAL)
        slope = tie.own * tie.residual[:, None, None]
        for a in range(span):
            strokes = slice(tie.first + a, tie.first + a + rows)
            self._gradient[strokes] -= slope[:, a]
            for b in range(a, span):
                self._band[b - a, strokes] += squares[:, a, :, b]
            if tie.border is not None:
                self._side[strokes] += tie.own[:, a, :, None] * tie.border[:, None, :]
            if tie.mean is not None:
                self._mean_own[strokes] += tie.own[:, a] * tie.mean[:, None]
        if tie.border is not None:
            self._corner += tie.border.T @ tie.border
            self._corner_gradient -= tie.border.T @ tie.residual
        if tie.mean is not None:
            self._gradient -= everywhere.mean * float(tie.mean @ tie.residual)
            self._mean_square += float(tie.mean @ tie.mean)
            if tie.border is not None:
                self._mean_border += tie.mean @ tie.border

    def add(self, stroke: int, square: FloatArray, slope: FloatArray) -> None:
        """Add the samples of a stroke: their squares and slopes for its own parameters and the shape's."""
        self._band[0, stroke] += square[:LOCAL, :LOCAL]
        self._side[stroke, :, : len(square) - LOCAL] += square[:LOCAL, LOCAL:]
        self._corner[: len(square) - LOCAL, : len(square) - LOCAL] += square[LOCAL:, LOCAL:]
        self._gradient[stroke] += slope[:LOCAL]
        self._corner_gradient[: len(slope) - LOCAL] += slope[LOCAL:]

    def loosened(self, own: FloatArray) -> "Arrow":
        """A copy with `own` (shape (K, 6)) added to the diagonal."""
        out = Arrow(self.count)
        for name in vars(self):
            value = getattr(self, name)
            setattr(out, name, value.copy() if isinstance(value, np.ndarray) else value)
        out._band[0, :, range(LOCAL), range(LOCAL)] += own.T
        return out

    def _diagonal(self) -> tuple[FloatArray, FloatArray]:
        """Diagonal of the whole matrix: of the strokes' parameters, shape (K, 6), and of the border."""
        own = np.einsum("kii->ki", self._band[0]).copy()
        if self._everywhere is not None:
            mean = self._everywhere.mean
            own += 2.0 * mean * self._mean_own + self._mean_square * mean**2 + self._everywhere.row**2
        return own, np.diag(self._corner).copy()

    def solved(self, damping: float) -> FloatArray:
        """Step that solves the equations with a share `damping` of the diagonal added, shape (6 K + 9,)."""
        factored = _Factored(self, damping)
        return factored.solve(self._gradient.ravel(), self._corner_gradient)

    def factored(self) -> "_Factored":
        """The matrix, factored once for its determinant and its inverse."""
        return _Factored(self, 0.0)


class _Factored:
    """A factored arrow. Raises numpy.linalg.LinAlgError when the matrix is not positive definite."""

    def __init__(self, arrow: Arrow, damping: float) -> None:
        count = arrow.count
        own, corner = arrow._diagonal()
        # Seconds and kilopascals differ by many orders: scaled to a diagonal of ones.
        self._size = 1.0 / np.sqrt(own)
        self._border_size = 1.0 / np.sqrt(corner)
        band = arrow._band.copy()
        for d in range(min(_REACH, count)):
            band[d, : count - d] *= self._size[: count - d, :, None] * self._size[d:, None, :]
        anchor = np.zeros((count, LOCAL)) if arrow._everywhere is None else arrow._everywhere.anchor * self._size
        diagonal = np.arange(LOCAL)
        band[0][:, diagonal, diagonal] += damping + anchor**2
        lower = np.zeros((LOCAL * _REACH, count, LOCAL))
        lower[_ROW, :, _I] = band[_D, :, _I, _J]
        self._lower = cholesky_banded(lower.reshape(LOCAL * _REACH, -1), lower=True, check_finite=False)
        side = np.zeros((LOCAL * count, BORDER + _AUX))
        side[:, :BORDER] = (arrow._side * self._size[:, :, None] * self._border_size).reshape(-1, BORDER)
        end = np.zeros((BORDER + _AUX, BORDER + _AUX))
        end[:BORDER, :BORDER] = arrow._corner * self._border_size[:, None] * self._border_size
        end[range(BORDER), range(BORDER)] += damping
        mean, multiplier, row, anchored = range(BORDER, BORDER + _AUX)
        if arrow._everywhere is not None:
            side[:, mean] = (arrow._mean_own * self._size).ravel()
            side[:, multiplier] = -(arrow._everywhere.mean * self._size).ravel()
            side[:, row] = (arrow._everywhere.row * self._size).ravel()
            end[mean, :BORDER] = end[:BORDER, mean] = arrow._mean_border * self._border_size
            end[mean, mean] = arrow._mean_square
        end[mean, multiplier] = end[multiplier, mean] = 1.0
        end[row, row] = -1.0
        side[:, anchored] = anchor.ravel()
        end[anchored, anchored] = 1.0
        self._side = side
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
        """Logarithm of the determinant."""
        sign, end = np.linalg.slogdet(self._end)
        if sign <= 0.0:
            # Two negative directions belong to the unknowns beside the parameters; any other is none of a maximum.
            raise np.linalg.LinAlgError("the normal matrix is not positive definite")
        sizes = np.log(self._size).sum() + np.log(self._border_size).sum()
        return float(end + 2.0 * np.log(self._lower[0]).sum() - 2.0 * sizes)

    def covariance(self) -> "Covariance":
        """The parts of the inverse that are asked for."""
        count, size = len(self._size), LOCAL * len(self._size)
        whole = cho_solve_banded((self._lower, True), np.eye(size), check_finite=False)
        blocks = whole.reshape(count, LOCAL, count, LOCAL)[range(count), :, range(count)]
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


@dataclass(frozen=True, slots=True)
class Covariance:
    """Covariance of a stroke's parameters with each other and with those of the event."""

    own: FloatArray
    """Shape (K, 6, 6)."""
    across: FloatArray
    """Shape (K, 6, 9)."""
    border: FloatArray
    """Shape (9, 9)."""
