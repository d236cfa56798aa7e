"""Pages of Sobol indices: drivers, interactions, PAWN beside them, convergence."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Annotation

from ebbmap.digits import share_text
from ebbmap.plotting.intervals import without_interval
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.common import driven_words, place_text, shown_outcomes
from ebbmap.plotting.pages.layout import first_handles
from ebbmap.plotting.sobol import plot_sobol
from ebbmap.plotting.sobol_convergence import MISSING, plot_sobol_by_size, plot_sobol_convergence
from ebbmap.plotting.sobol_pairs import MOST_FACTORS, plot_sobol_pairs
from ebbmap.plotting.style import FAINT, INK, colour_of, words

#: Side of a cell of the interactions [inch], the side up to which two matrices stand beside each
#: other, and the room for the names.
CELL, WIDEST, NAMES_WIDTH = 1.0, 6.0, 3.4


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw what drives the outcomes, how the factors interact, and how sure that is."""
    yield from _totals(result)
    if "second" in result:
        yield from _interactions(result)
    if "pawn" in result:
        yield from _pawn(result)
    yield from _convergence(result)


def sizes_text(result: xr.Dataset) -> str:
    """Return the base rows of each population, and whether its indices settled."""
    rows = {str(n): int(result["rows"].sel(population=n)) for n in result["population"].values}
    several = len(set(rows.values())) > 1
    size = ", ".join(f"{n} {rows[n]:,}" for n in rows) if several else f"{max(rows.values()):,}"
    return f"N = {size} base rows"


def _totals(result: xr.Dataset) -> Iterator[Page]:
    along = str(result.attrs["along"])
    populations = result["population"].values.astype(str)
    shown = shown_outcomes(result["outcome"])
    fig = Figure(
        figsize=(2.2 + 3.3 * len(shown), 0.8 + 3.0 * len(populations)), layout="constrained"
    )
    axes = fig.subplots(len(populations), len(shown), squeeze=False, sharex=True, sharey=True)
    for row, name in enumerate(populations):
        for column, outcome in enumerate(shown):
            ax = plot_sobol(
                result.sel(population=name), outcome=outcome, along=along, ax=axes[row, column]
            )
            if row == 0:
                ax.set_title(driven_words(outcome), fontsize=11)
            _drop_names(ax)
            if column == 0:
                ax.set_ylabel(
                    f"{words(name)}\ntotal index", color=colour_of(name, row), fontsize=12
                )
            else:
                ax.set_ylabel("")
            if row < len(populations) - 1:
                ax.set_xlabel("")
    add_caption(
        fig,
        f"Total Sobol indices at every {words(along)}, bands: "
        f"{share_text(result.attrs['ci_level'])} intervals (hollow triangle: goes on above the "
        "axis), "
        f"{sizes_text(result)}; properties drawn independently, without their correlations."
        f"{_surrogate_text(result)}{without_interval(axes.flat)}",
        result,
        rule="*",
        legend=(*first_handles(axes.flat), ""),
    )
    yield (
        f"{along}_drivers",
        fig,
        f"Which lung property drives {', '.join(map(_in_line, shown))} along "
        f"{words(along)}, in {', '.join(populations)} lungs.",
    )


def _in_line(outcome: str) -> str:
    """Return an outcome in one line."""
    return driven_words(outcome).replace("\n", " ")


def _drop_names(ax: Axes) -> None:
    """Take the direct labels away: the legend names every line once."""
    for text in [own for own in ax.texts if isinstance(own, Annotation)]:
        text.remove()


def _interactions(result: xr.Dataset) -> Iterator[Page]:
    """One page per margin, at the place where its pairs matter most."""
    along = str(result.attrs["along"])
    populations = result["population"].values.astype(str)
    for outcome in shown_outcomes(result["outcome"], margins_only=True):
        own = result.sel(outcome=outcome)
        weight = abs(own["second"]).sum(("parameter", "parameter_other"))
        side = CELL * min(own.sizes["parameter"], MOST_FACTORS)
        columns = min(len(populations), 2 if side <= WIDEST else 1)
        rows = -(-len(populations) // columns)
        fig = Figure(
            figsize=(NAMES_WIDTH + columns * side, rows * (side + 1.0)), layout="constrained"
        )
        axes = fig.subplots(rows, columns, squeeze=False).ravel()
        for ax in axes[len(populations) :]:
            ax.axis("off")
        details = []
        for number, name in enumerate(populations):
            ax = axes[number]
            place = int(weight.sel(population=name).values.argmax())
            part = own.sel(population=name).isel({along: place})
            plot_sobol_pairs(part, ax=ax)
            at = place_text(along, float(result[along][place]))
            ax.set_title(f"{words(name)} at {at}", color=colour_of(name, number), fontsize=12)
            if number % columns:
                # the rows are named once, at the left; their numbers stay
                ax.set_yticklabels([text.get_text() for text in ax.get_xticklabels()])
            details.append(f"{name} at {at}")
        add_caption(
            fig,
            f"{driven_words(outcome)}: second-order Sobol indices off the diagonal, "
            f"first-order on it, each ± half of its {share_text(result.attrs['ci_level'])} "
            "interval; "
            f"filled: the interval lies above zero, hollow: it does not (an index is a share "
            f"of a variance, so one below zero is an error of sampling); of many pairs "
            f"without effect some are filled by chance; ± ?: too few of the cases drawn carry "
            f"the index for an interval. {sizes_text(result)}. Each panel at "
            f"the place where the pairs weigh most.{_left_out(own)}".replace("\n", " "),
            result,
            rule=outcome.removeprefix("margin_"),
        )
        yield (
            f"{along}_interactions_{outcome}",
            fig,
            f"Interactions of the factors in {_in_line(outcome)}: {'; '.join(details)}.",
        )


def _left_out(own: xr.Dataset) -> str:
    """Return a sentence on the factors that the matrices leave out."""
    count = own.sizes["parameter"]
    if count <= MOST_FACTORS:
        return ""
    return f" Of {count} factors the {MOST_FACTORS} with the largest total indices are shown."


def _pawn(result: xr.Dataset) -> Iterator[Page]:
    along = str(result.attrs["along"])
    populations = result["population"].values.astype(str)
    outcomes = shown_outcomes(result["pawn_outcome"])
    both = xr.Dataset(
        {
            "pawn": result["pawn"].rename(pawn_outcome="outcome"),
            "pawn_interval": result["pawn_interval"].rename(pawn_outcome="outcome"),
        }
    )
    fig = Figure(
        figsize=(2.2 + 3.3 * len(outcomes), 0.8 + 3.0 * len(populations)), layout="constrained"
    )
    axes = fig.subplots(len(populations), len(outcomes), squeeze=False, sharex=True, sharey=True)
    for row, name in enumerate(populations):
        for column, outcome in enumerate(outcomes):
            ax = axes[row, column]
            part = both.sel(population=name).assign_coords({along: result[along]})
            plot_sobol(
                part,
                outcome=outcome,
                along=along,
                index="pawn",
                named_above=2.0 * float(result["pawn_noise"].sel(population=name)),
                ax=ax,
            )
            ax.axhline(float(result["pawn_noise"].sel(population=name)), color=INK, lw=1.0, ls=":")
            _drop_names(ax)
            ax.set_ylabel(
                f"{words(name)}\nPAWN index" if column == 0 else "", color=colour_of(name, row)
            )
            if row == 0:
                ax.set_title(driven_words(outcome), fontsize=11)
            if row < len(populations) - 1:
                ax.set_xlabel("")
    details = "; ".join(
        f"{n}: {result['disagreement'].sel(population=n).item()}" for n in populations
    )
    add_caption(
        fig,
        f"PAWN indices (whole distribution, not variance), bands: "
        f"{share_text(result.attrs['ci_level'])} intervals; dotted: what a factor without "
        "influence "
        f"stays below; {result['pawn'].attrs.get('cases', '')} cases. {details}."
        f"{without_interval(axes.flat)}",
        result,
        rule="*",
        legend=(*first_handles(axes.flat), ""),
    )
    yield f"{along}_pawn", fig, f"PAWN indices along {words(along)}. {details}."


def _convergence(result: xr.Dataset) -> Iterator[Page]:
    outcomes = shown_outcomes(result["outcome"], margins_only=True)[:2]
    name = _least_sure(result)
    fig = Figure(figsize=(4.4 + 3.6 * len(outcomes), 5.0), layout="constrained")
    axes = fig.subplots(1, 1 + len(outcomes))
    axes = np.atleast_1d(axes)
    plot_sobol_convergence(result, ax=axes[0])
    along = str(result.attrs["along"])
    middle = result.sizes[along] // 2
    for ax, outcome in zip(axes[1:], outcomes, strict=True):
        part = result.sel(outcome=outcome, population=name).isel({along: middle})
        plot_sobol_by_size(part, ax=ax)
        ax.set_title(f"{driven_words(outcome)}\n{words(name)}", fontsize=10)
    at = place_text(along, float(result[along][middle]))
    add_caption(
        fig,
        f"Left: the widest {share_text(result.attrs['ci_level'])} interval by base "
        f"rows; right, total indices of the least sure population, {words(name)}, at {at} "
        f"with their intervals. {_verdict_text(result)} {result.attrs['failures']}."
        f"{_missing_text(axes)}",
        result,
        rule="*",
        legend=(*first_handles(axes[1:]), ""),
    )
    fig.patch.set_edgecolor(FAINT)
    yield (
        f"{along}_convergence",
        fig,
        (f"How the intervals narrow with the base rows. {_verdict_text(result)}"),
    )


def _missing_text(axes: np.ndarray) -> str:
    """Return what the marks of a missing interval mean, where there are any."""
    edge = MISSING in [line.get_label() for line in axes[0].lines]
    said = " Hollow triangle at the upper edge: some index has no interval there." if edge else ""
    return said + without_interval(axes[1:])


def _least_sure(result: xr.Dataset) -> str:
    """Return the population whose widest interval is the widest at its last size."""
    last = {
        str(name): float(
            result["widest_by_size"].sel(
                population=name, size=int(result["rows"].sel(population=name))
            )
        )
        for name in result["population"].values
    }
    return max(last, key=lambda name: -1.0 if np.isnan(last[name]) else last[name])


def _verdict_text(result: xr.Dataset) -> str:
    """Return for each population whether the indices settled, and at which size."""
    said = "; ".join(
        f"{n}: {result['verdict'].sel(population=n).item()} at N = "
        f"{int(result['rows'].sel(population=n)):,}"
        for n in result["population"].values
    )
    return f"Verdict: {said}."


def _surrogate_text(result: xr.Dataset) -> str:
    """Return what stands in for the lung, if anything does."""
    runs = int(result.attrs.get("surrogate_runs", 0))
    if not runs:
        return ""
    kind = str(result.attrs["surrogate_kind"])
    least = float(result["surrogate_q2"].sel(outcome=_smooth(result)).min())
    return (
        f" {kind[0].upper()}{kind[1:]} fitted to {runs:,} cases at each place stand in for the "
        f"lung; Q2 at least {least:.3f} on fresh cases; their error is in the intervals."
    )


def _smooth(result: xr.Dataset) -> list[str]:
    """Return the outcomes that a surrogate fits: neither margins nor verdicts."""
    names = result["outcome"].values.astype(str).tolist()
    return [name for name in names if not name.startswith(("margin_", "safe_"))]
