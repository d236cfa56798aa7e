"""Special functions on arrays of any engine: SciPy's for NumPy, our own where an engine lacks them.

Our own have no branch that is not finite, so that they have derivatives. Sizes: shape (...) is any.

References
----------
.. [1] Fritsch FN, Shafer RE, Crowley WP, Commun ACM 1973;16:123 (from memory): omega's iteration.
.. [2] Wichura MJ, Appl Stat 1988;37:477, algorithm AS 241 (from memory): quantile of the normal.
.. [3] Cody WJ, Math Comp 1969;23:631 (from memory): the error function by rational functions.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import pi
from typing import Any

from scipy.special import ndtr, ndtri, wrightomega

from ebbmap.array import TINY, absolute, clip, exp, floor, is_plain, log, maximum, sqrt, where

#: Steps of the iteration for omega: each about quadruples the correct digits.
OMEGA_STEPS = 4

#: Below this omega(z) is exp(z) to all digits.
OMEGA_LEAST = -40.0

#: Root of one half.
HALF_ROOT = 0.5**0.5

# Rational functions, coefficients by falling power, as published.
_QUANTILE_MIDDLE = (
    (
        *(2509.0809287301226727, 33430.575583588128105, 67265.770927008700853),
        *(45921.953931549871457, 13731.693765509461125, 1971.5909503065514427),
        *(133.14166789178437745, 3.387132872796366608),
    ),
    (
        *(5226.495278852854561, 28729.085735721942674, 39307.89580009271061),
        *(21213.794301586595867, 5394.1960214247511077, 687.1870074920579083),
        *(42.313330701600911252, 1.0),
    ),
)
_QUANTILE_TAIL = (
    (
        *(7.7454501427834140764e-4, 0.0227238449892691845833, 0.24178072517745061177),
        *(1.27045825245236838258, 3.64784832476320460504, 5.7694972214606914055),
        *(4.6303378461565452959, 1.42343711074968357734),
    ),
    (
        *(1.05075007164441684324e-9, 5.475938084995344946e-4, 0.0151986665636164571966),
        *(0.14810397642748007459, 0.68976733498510000455, 1.6763848301838038494),
        *(2.05319162663775882187, 1.0),
    ),
)
_QUANTILE_FAR = (
    (
        *(2.01033439929228813265e-7, 2.71155556874348757815e-5, 0.0012426609473880784386),
        *(0.026532189526576123093, 0.29656057182850489123, 1.7848265399172913358),
        *(5.4637849111641143699, 6.6579046435011037772),
    ),
    (
        *(2.04426310338993978564e-15, 1.4215117583164458887e-7, 1.8463183175100546818e-5),
        *(7.868691311456132591e-4, 0.0148753612908506148525, 0.13692988092273580531),
        *(0.59983220655588793769, 1.0),
    ),
)
_ERROR_MIDDLE = (
    (
        *(0.185777706184603153, 3.16112374387056560, 113.864154151050156),
        *(377.485237685302021, 3209.37758913846947),
    ),
    (1.0, 23.6012909523441209, 244.024637934444173, 1282.61652607737228, 2844.23683343917062),
)
_ERROR_TAIL = (
    (
        *(2.15311535474403846e-8, 0.564188496988670089, 8.88314979438837594, 66.1191906371416295),
        *(298.635138197400131, 881.952221241769090, 1712.04761263407058, 2051.07837782607147),
        1230.33935479799725,
    ),
    (
        *(1.0, 15.7449261107098347, 117.693950891312499, 537.181101862009858),
        *(1621.38957456669019, 3290.79923573345963, 4362.61909014324716, 3439.36767414372164),
        1230.33935480374942,
    ),
)
_ERROR_FAR = (
    (
        *(0.0163153871373020978, 0.305326634961232344, 0.360344899949804439),
        *(0.125781726111229246, 0.0160837851487422766, 6.58749161529837803e-4),
    ),
    (
        *(1.0, 2.56852019228982242, 1.87295284992346725, 0.527905102951428412),
        *(0.0605183413124413191, 0.00233520497626869185),
    ),
)


def wright_omega(z: Any) -> Any:
    """Return the Wright omega function, w + log(w) = z for real z, shape (...).

    Examples
    --------
    >>> float(wright_omega(1.0))
    1.0
    """
    return wrightomega(z) if is_plain(z) else own_wright_omega(z)


def normal_cdf(z: Any) -> Any:
    """Return the probability that a standard normal number is below z, shape (...).

    Examples
    --------
    >>> float(normal_cdf(0.0))
    0.5
    """
    return ndtr(z) if is_plain(z) else own_normal_cdf(z)


def normal_quantile(p: Any) -> Any:
    """Return the standard normal number below which lies a probability, shape (...).

    Examples
    --------
    >>> float(normal_quantile(0.5))
    0.0
    """
    return ndtri(p) if is_plain(p) else own_normal_quantile(p)


def own_wright_omega(z: Any) -> Any:
    """Return what `wright_omega` does by four steps of an iteration [1]_, shape (...)."""
    kept = maximum(z, OMEGA_LEAST)
    low = exp(clip(kept, OMEGA_LEAST, 1.0))
    high = maximum(kept, 1.0)
    w = where(kept > 1.0, high - log(high), low / (1.0 + low))
    for _ in range(OMEGA_STEPS):
        left, above = kept - w - log(w), 1.0 + w
        slope = above * (above + (2.0 / 3.0) * left)
        w = w * (1.0 + left / above * (1.0 + 0.5 * left / (slope - left)))
    return where(z < OMEGA_LEAST, exp(clip(z, -800.0, OMEGA_LEAST)), w)


def own_normal_cdf(z: Any) -> Any:
    """Return what `normal_cdf` does by rational functions [3]_, shape (...)."""
    size = absolute(z)
    y = size * HALF_ROOT
    middle = 0.5 + 0.5 * z * HALF_ROOT * _ratio(_ERROR_MIDDLE, clip(y, 0.0, 1.0) ** 2)
    # the square without its rounding, which the exponential would make large
    near = floor(clip(size, 0.0, 40.0) * 16.0) * 0.0625
    kept = clip(size, 0.0, 40.0)
    gauss = exp(-0.5 * near * near) * exp(-0.5 * (kept - near) * (kept + near))
    far = clip(y, 4.0, 30.0)
    inverse = 1.0 / (far * far)
    by_far = (1.0 / pi**0.5 - inverse * _ratio(_ERROR_FAR, inverse)) / far
    tail = 0.5 * gauss * where(y > 4.0, by_far, _ratio(_ERROR_TAIL, clip(y, 0.0, 4.0)))
    return where(y <= 0.46875, middle, where(z > 0.0, 1.0 - tail, tail))


def own_normal_quantile(p: Any) -> Any:
    """Return what `normal_quantile` does by rational functions [2]_, 0 < p < 1, shape (...)."""
    apart = p - 0.5
    middle = apart * _ratio(_QUANTILE_MIDDLE, 0.180625 - clip(apart * apart, 0.0, 0.180625))
    least = clip(where(apart < 0.0, p, 1.0 - p), TINY, 0.5)
    root = sqrt(-log(least))
    tail = where(
        root <= 5.0,
        _ratio(_QUANTILE_TAIL, clip(root, 0.0, 5.0) - 1.6),
        _ratio(_QUANTILE_FAR, clip(root, 5.0, 30.0) - 5.0),
    )
    return where(absolute(apart) <= 0.425, middle, where(apart < 0.0, -tail, tail))


def _ratio(coefficients: tuple[Sequence[float], Sequence[float]], x: Any) -> Any:
    """Return the ratio of two polynomials, coefficients by falling power."""
    above, below = (_polynomial(part, x) for part in coefficients)
    return above / below


def _polynomial(coefficients: Sequence[float], x: Any) -> Any:
    """Return a polynomial by Horner's rule."""
    value = coefficients[0] * x + coefficients[1]
    for coefficient in coefficients[2:]:
        value = value * x + coefficient
    return value
