"""One's own patients as a population: a table read, completed by a named method, and drawn again.

Sizes: r rows, d properties.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, get_args

import numpy as np
from scipy import stats
from scipy.linalg import cho_factor, cho_solve

from ebbmap.cases.columns import columns_of, converted, read_columns
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.registries.cohorts import Rows, StudentPopulation
from ebbmap.registries.copula import Population
from ebbmap.registries.distributions import Marginal
from ebbmap.registries.families import kernel, shaped
from ebbmap.registries.folding import possible
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import How, Missing

#: Rows at least; parts into which they are cut to choose by held-out likelihood.
FEWEST, FOLDS = 8, 5

#: Degrees of freedom of Student's copula that are tried beside the Gaussian one.
FREEDOMS = (3.0, 6.0, 12.0)

#: Gain in held-out log likelihood, in all, for which a heavier copula or a kernel is taken.
GAIN = 1.0


def cohort(
    table: Any,
    name: str = "cohort",
    *,
    how: How = "bootstrap",
    missing: Missing | None = None,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    weights: str | None = None,
    group: tuple[str, str] | None = None,
    source: str = "own table",
    seed: int = 0,
) -> Population:
    """Return one's own patients as a population.

    Parameters
    ----------
    table : path, DataFrame or mapping
        A saved fit, whose lungs are those of its posterior; or a row for each patient. Columns
        that are named as parameters are taken. A header may state its unit, as
        ``compliance [L/cmH2O]``; registry units otherwise.
    name : str
        Of the population.
    how : {"bootstrap", "smoothed"}
        Rows drawn again as they are, or a copula with smooth margins, both chosen by held-out
        likelihood.
    missing : {"drop", "draw"}, optional
        What becomes of a row that lacks a value: left out, or completed once by a draw given the
        row's other values. Needed where any is missing.
    columns : mapping of str to str, optional
        Parameter -> header, where a column has another name.
    units : mapping of str to str, optional
        Parameter -> unit; goes before that of a header.
    weights : str, optional
        Header of the column that says how often each row counts.
    group : pair of str, optional
        Header and text: only rows with this text there.
    source : str
        Where the patients come from; printed on every picture.
    seed : int
        Of what is drawn for missing values, and of the folds.

    Raises
    ------
    EbbmapError
        If no column is a parameter, a value cannot be, values are missing and no method is named,
        or too few rows are left.

    Examples
    --------
    >>> mine = cohort({"compliance": [30, 35, 41, 44, 50, 52, 58, 63],
    ...                "resistance_exp": [12, 15, 11, 20, 18, 9, 14, 16]}, source="invented")
    >>> sorted(mine.sample(2, seed=0))
    ['compliance', 'resistance_exp']
    """
    if how not in get_args(How):
        raise EbbmapError(unknown_name("way of drawing a cohort", how, get_args(How)))
    names, rows, weight, left_out = _read(table, columns or {}, units or {}, weights, group)
    rows, weight, said = _completed(names, rows, weight, missing, seed)
    _check(names, rows)
    if len(rows) < FEWEST:
        raise EbbmapError(
            f"a cohort must have at least {FEWEST} rows; {len(rows)} are left. Use a bundled "
            "population with your medians instead."
        )
    text = f"{source}: {len(rows)} rows{left_out}{said}"
    if how == "bootstrap":
        return rows_population(name, names, rows, weight, text)
    return _smoothed(name, names, rows, weight, text, seed)


def rows_population(
    name: str, names: tuple[str, ...], rows: np.ndarray, weight: np.ndarray, source: str
) -> Rows:
    """Return rows as a population that draws them again."""
    marginals = {one: _kept(one, rows[:, i], weight, source) for i, one in enumerate(names)}
    return Rows(
        name,
        name,
        "rows of a table, drawn again as they are",
        MappingProxyType(marginals),
        MappingProxyType(_pairs(names, _scores(marginals, rows), weight)),
        source,
        rows=rows,
        weights=weight,
    )


def _read(
    table: Any,
    columns: Mapping[str, str],
    units: Mapping[str, str],
    weights: str | None,
    group: tuple[str, str] | None,
) -> tuple[tuple[str, ...], np.ndarray, np.ndarray, str]:
    """Return names, values, weights, and what was left out in words."""
    in_file = isinstance(table, str | Path)
    read = read_columns(table) if in_file else columns_of(table)
    where = str(table) if in_file else "table"
    headers = {header: header for header in read.values if header in PARAMETERS}
    for parameter, header in columns.items():
        if parameter not in PARAMETERS:
            raise EbbmapError(unknown_name("parameter", parameter, PARAMETERS))
        if header not in read.values:
            raise EbbmapError(f"{where}: {unknown_name('column', header, read.values)}")
        headers[parameter] = header
    if not headers:
        raise EbbmapError(
            f"{where}: no column is named as a parameter; got {', '.join(read.values)}. Say which "
            "is which with columns, as compliance = 'Crs'."
        )
    values = []
    for parameter, header in headers.items():
        cells = _coded(parameter, read.values[header], where)
        unit = units.get(parameter, read.units.get(header, PARAMETERS[parameter].units))
        values.append(converted(header, cells, unit, PARAMETERS[parameter].units, where))
    rows = np.stack(values, axis=1)
    weight = np.ones(len(rows)) if weights is None else _column(read.values, weights, where)
    if weight.dtype.kind != "f" or not np.all(weight >= 0.0) or not np.any(weight > 0.0):
        raise EbbmapError(f"{where}: weights in {weights} must be numbers >= 0. Correct them.")
    kept = weight > 0.0
    said = f" ({read.said})" if read.said else ""
    if group is not None:
        text = _column(read.values, group[0], where)
        kept &= np.array([_text(cell) == group[1] for cell in text])
        said += f" with {group[0]} {group[1]}"
        if not kept.any():
            known = ", ".join(sorted({_text(cell) for cell in text})[:10])
            raise EbbmapError(f"{where}: no row has {group[0]} {group[1]!r}. It has {known}.")
    return tuple(headers), rows[kept], weight[kept], said


def _column(values: Mapping[str, np.ndarray], header: str, where: str) -> np.ndarray:
    if header not in values:
        raise EbbmapError(f"{where}: {unknown_name('column', header, values)}")
    return values[header]


def _text(cell: Any) -> str:
    return f"{cell:g}" if isinstance(cell, float) else str(cell)


def _coded(parameter: str, cells: np.ndarray, where: str) -> np.ndarray:
    """Return cells as numbers, categories by their code."""
    if cells.dtype.kind == "f":
        return cells
    found = np.full(cells.size, np.nan)
    for row, cell in enumerate(map(str, cells)):
        try:
            code = PARAMETERS[parameter].code(cell) if cell else np.nan
            found[row] = float(code)  # type: ignore[arg-type]
        except ValueError:
            raise EbbmapError(
                f"{where}: {parameter} must be a number; got {cell!r} in row {row + 2}. Correct "
                "the cell, or leave it empty."
            ) from None
    return found


def _check(names: tuple[str, ...], rows: np.ndarray) -> None:
    """Refuse values that cannot be."""
    for column, name in enumerate(names):
        for row, value in enumerate(rows[:, column]):
            if complaint := PARAMETERS[name].complaint(float(value)):
                raise EbbmapError(f"{complaint} (row {row + 1} of those used).")


def _completed(
    names: tuple[str, ...],
    rows: np.ndarray,
    weight: np.ndarray,
    missing: str | None,
    seed: int,
) -> tuple[np.ndarray, np.ndarray, str]:
    """Return rows without gaps, and in words how these were closed."""
    gaps = np.isnan(rows)
    if not gaps.any():
        return rows, weight, ""
    lacking = gaps.any(axis=1)
    if missing not in get_args(Missing):
        raise EbbmapError(
            f"{int(lacking.sum())} of {len(rows)} rows lack a value "
            f"({', '.join(n for n, g in zip(names, gaps.any(axis=0), strict=True) if g)}): name "
            f"what becomes of them with missing = 'drop' or 'draw'; got {missing!r}."
        )
    if missing == "drop":
        return rows[~lacking], weight[~lacking], f", {int(lacking.sum())} more lack a value"
    if (~gaps).sum(axis=0).min() < FEWEST:
        raise EbbmapError(f"each column must have {FEWEST} values to draw the missing ones from.")
    drawn = _drawn_gaps(rows, gaps, np.random.default_rng(seed))
    return drawn, weight, f", {int(gaps.sum())} missing values drawn given the others"


def _drawn_gaps(rows: np.ndarray, gaps: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return rows whose gaps were drawn given the row's other values, by a Gaussian copula."""
    margins = [kernel(column[~gap]) for column, gap in zip(rows.T, gaps.T, strict=True)]
    scores = np.stack(
        [
            stats.norm.ppf(np.clip(m.cdf(c), 1e-9, 1 - 1e-9))
            for m, c in zip(margins, rows.T, strict=True)
        ],
        axis=1,
    )
    matrix = np.eye(rows.shape[1])
    for one in range(rows.shape[1]):
        for other in range(one):
            both = ~(gaps[:, one] | gaps[:, other])
            if both.sum() >= FEWEST:
                value = float(np.corrcoef(scores[both, one], scores[both, other])[0, 1])
                matrix[one, other] = matrix[other, one] = value
    least = float(np.linalg.eigvalsh(matrix)[0])
    if least < 0.02:
        matrix = (matrix + (0.02 - least) * np.eye(len(matrix))) / (1.02 - least)
    filled = rows.copy()
    for row in np.flatnonzero(gaps.any(axis=1)):
        gap = gaps[row]
        mean, cover = np.zeros(int(gap.sum())), matrix[np.ix_(gap, gap)]
        if not gap.all():
            gain = np.linalg.solve(matrix[np.ix_(~gap, ~gap)], matrix[np.ix_(~gap, gap)])
            mean = scores[row, ~gap] @ gain
            cover = cover - matrix[np.ix_(gap, ~gap)] @ gain
        score = rng.multivariate_normal(mean, cover)
        for place, value in zip(np.flatnonzero(gap), score, strict=True):
            filled[row, place] = float(margins[place].ppf(stats.norm.cdf(value)))
    return filled


def _kernel(values: np.ndarray, weight: np.ndarray, source: str) -> Marginal:
    return shaped(kernel(values, weight), source, family="kernel", confirmed="derived")


def _kept(name: str, values: np.ndarray, weight: np.ndarray, source: str) -> Marginal:
    """Return smoothed rows, cut off at the registry's range, which no row leaves."""
    smooth, entry = kernel(values, weight), PARAMETERS[name]
    low, high = min(entry.low, float(np.min(values))), max(entry.high, float(np.max(values)))
    return shaped(smooth, source, family="kernel", confirmed="derived", low=low, high=high)


def _margins(values: np.ndarray) -> dict[str, Callable[[np.ndarray, np.ndarray, str], Marginal]]:
    """Return the families that are tried for a property, the plainest first."""

    def normal(some: np.ndarray, weight: np.ndarray, source: str) -> Marginal:
        mean = float(np.average(some, weights=weight))
        sd = float(np.sqrt(np.average((some - mean) ** 2, weights=weight)))
        return Marginal("normal", mean, sd, source, "derived")

    def lognormal(some: np.ndarray, weight: np.ndarray, source: str) -> Marginal:
        log = np.log(some)
        mean = float(np.average(log, weights=weight))
        sd = float(np.sqrt(np.average((log - mean) ** 2, weights=weight)))
        return Marginal("lognormal", float(np.exp(mean)), sd, source, "derived")

    positive = bool(np.all(values > 0.0))
    return {**({"lognormal": lognormal} if positive else {}), "normal": normal, "kernel": _kernel}


def _density(margin: Marginal, values: np.ndarray) -> np.ndarray:
    """Return the log density of values, by the slope of the score."""
    step = 1e-4 * np.std(values) + 1e-12
    low, high = margin.score(values - step), margin.score(values + step)
    slope = np.maximum(high - low, 1e-300) / (2.0 * step)
    return np.asarray(np.log(slope) - 0.5 * margin.score(values) ** 2)


def _folds(size: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).permutation(np.arange(size) % FOLDS)


def _smoothed(
    name: str, names: tuple[str, ...], rows: np.ndarray, weight: np.ndarray, source: str, seed: int
) -> Population:
    """Return a copula with smooth margins, chosen by held-out likelihood."""
    fold = _folds(len(rows), seed)
    margins: dict[str, Marginal] = {}
    chosen = {}
    for column, one in enumerate(names):
        values = rows[:, column]
        tried = _margins(values)
        gains = {family: 0.0 for family in tried}
        for part in range(FOLDS):
            inside, out = fold != part, fold == part
            for family, build in tried.items():
                margin = build(values[inside], weight[inside], source)
                gains[family] += float(weight[out] @ _density(margin, values[out]))
        plain = max((f for f in gains if f != "kernel"), key=gains.__getitem__)
        best = "kernel" if gains["kernel"] > gains[plain] + GAIN else plain
        margins[one] = tried[best](values, weight, source)
        chosen[one] = best
    scores = _scores(margins, rows)
    freedom = _freedom(scores, weight, fold) if len(names) > 1 else np.inf
    words = ", ".join(f"{one} {family}" for one, family in chosen.items())
    copula = "Gaussian" if np.isinf(freedom) else f"t with {freedom:g} degrees of freedom"
    parts = (
        name,
        name,
        f"smoothed: {words}; copula {copula}, chosen by held-out likelihood",
        MappingProxyType(margins),
        MappingProxyType(_pairs(names, scores, weight)),
        source,
    )
    if np.isinf(freedom):
        return Population(*parts)
    return StudentPopulation(*parts, freedom=float(freedom))


def _scores(margins: Mapping[str, Marginal], rows: np.ndarray) -> np.ndarray:
    found = [margin.score(rows[:, i]) for i, margin in enumerate(margins.values())]
    return np.clip(np.stack(found, axis=1), -6.0, 6.0)


def _pairs(
    names: tuple[str, ...], scores: np.ndarray, weight: np.ndarray
) -> dict[tuple[str, str], float]:
    """Return the correlations of scores, drawn towards none until they can hold together."""
    if len(names) == 1:
        return {}
    matrix = np.nan_to_num(_correlation(scores, weight))
    pairs = {
        (names[i], names[j]): float(np.clip(matrix[i, j], -0.995, 0.995))
        for i in range(len(names))
        for j in range(i)
    }
    return possible(names, pairs)


def _correlation(scores: np.ndarray, weight: np.ndarray) -> np.ndarray:
    centred = scores - np.average(scores, axis=0, weights=weight)
    cover = (centred * weight[:, None]).T @ centred
    size = np.sqrt(np.diag(cover))
    return np.asarray(cover / np.outer(size, size))


def _freedom(scores: np.ndarray, weight: np.ndarray, fold: np.ndarray) -> float:
    """Return the degrees of freedom of the copula by held-out likelihood; infinite for Gaussian."""
    gains = dict.fromkeys((np.inf, *FREEDOMS), 0.0)
    for part in range(FOLDS):
        inside, out = fold != part, fold == part
        matrix = _correlation(scores[inside], weight[inside])
        matrix = 0.98 * matrix + 0.02 * np.eye(len(matrix))
        for freedom in gains:
            gains[freedom] += float(weight[out] @ _copula_density(scores[out], matrix, freedom))
    best = max(FREEDOMS, key=gains.__getitem__)
    return best if gains[best] > gains[np.inf] + GAIN else np.inf


def _copula_density(scores: np.ndarray, matrix: np.ndarray, freedom: float) -> np.ndarray:
    """Return the log density of a Gaussian (infinite freedom) or t copula at normal scores."""
    factor = cho_factor(matrix)
    half = float(np.sum(np.log(np.diag(factor[0]))))
    if np.isinf(freedom):
        square = np.einsum("rd,dr->r", scores, cho_solve(factor, scores.T))
        return np.asarray(-half - 0.5 * (square - np.sum(scores**2, axis=1)))
    own = stats.t.ppf(stats.norm.cdf(scores), freedom)
    together = stats.multivariate_t(shape=matrix, df=freedom).logpdf(own)
    return np.asarray(together - np.sum(stats.t.logpdf(own, freedom), axis=1))
