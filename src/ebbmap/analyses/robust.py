"""Settings that serve most lungs, of every group, whatever is not known of the populations."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.common.at_settings import BLOCK
from ebbmap.analyses.common.knowledge import (
    DRAW,
    KNOWLEDGE,
    NOT_ASKED,
    add_intervals,
    asked_text,
    with_intervals_of_knowledge,
)
from ebbmap.analyses.common.over import (
    analysis_over,
    check_over,
    describe_settings,
    refuse_drawn,
)
from ebbmap.analyses.common.robust_search import FRESH, TRIED, Search
from ebbmap.analyses.common.sizes import Size, groups_of, lungs_drawn
from ebbmap.analyses.options import (
    NO_AXES,
    Axes,
    Options,
    ParameterName,
    Positive,
    Settings,
    Share,
    axes_of,
    refuse_unused,
)
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Found, Pieces, Progress
from ebbmap.cases.question import Question
from ebbmap.cases.uses import Use, add_provenance, span_text
from ebbmap.digits import points_text
from ebbmap.kernels.knowledge import check_draws
from ebbmap.kernels.robust import goal_interval, goal_of
from ebbmap.kernels.shares import paired_difference, wilson
from ebbmap.registries.parameters import PARAMETERS

_FRESH = "lungs that the search never met"
_GOAL = f"{{goal}} of {_FRESH} that the choice serves"
_REACHED = f"share of {_FRESH} that the choice serves"
_LOSS = f"share of {_FRESH} that the choice for all groups loses beside the group's own best"

#: What to do where a setting is drawn with the lungs.
AMONG_SETTINGS = "Choose among settings."

#: What the goal is, in words.
GOALS: Mapping[str, str] = {"worst": "worst group's share", "mean": "mean share of the groups"}

VARIABLES: Mapping[str, Variable] = with_intervals_of_knowledge(
    {
        "goal_share": Variable(_GOAL),
        "goal_share_interval": Variable(
            f"interval of the {_GOAL}", attrs={"ci_method": "Wilson score of each group, joined"}
        ),
        "reached_share": Variable(_REACHED),
        "reached_share_interval": Variable(
            f"interval of the {_REACHED}", attrs={"ci_method": "Wilson score"}
        ),
        "loss": Variable(_LOSS),
        "loss_interval": Variable(
            f"interval of the {_LOSS}", attrs={"ci_method": "paired lungs, half a case added"}
        ),
        "searched_share": Variable("{goal} on the lungs that chose, which is rather too large"),
        "best_draws": Variable("share of the outer draws in which no other choice serves more"),
        "near_draws": Variable("share of the outer draws in which none serves more by over {near}"),
        "lost": Variable("what the best choice of an outer draw serves more, on average"),
        "lost_most": Variable("what the best choice of an outer draw serves more, at most"),
        "attainable": Variable("{goal} that the best choice of all other settings reaches"),
    }
)


class Robust(Options):
    """Settings that serve most lungs, whatever is not known of the populations."""

    over: Settings = Field(
        default=["t_low"],
        description="settings that are chosen, among the values of their axes",
    )
    width: dict[ParameterName, Positive] = Field(
        default={},
        description="distance between the ends of a setting's range, all of which must be safe; "
        "a single value is chosen of a setting that is left out",
    )
    goal: Literal["worst", "mean"] = Field(
        default="worst",
        description="what is made as large as can be: the share of the group served worst, or the "
        "mean of all groups' shares",
    )
    sure: Share | None = Field(
        default=None,
        description="share of the outer draws in which the goal must be reached; its mean over "
        "the draws if absent",
    )
    near: Annotated[float, Field(ge=0, lt=1)] = Field(
        default=0.01, description="a choice that serves less by no more than this is as good"
    )
    level: Share = Field(default=0.95, description="level of the intervals")


def find_robust(
    question: Question,
    options: Robust | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Find the settings that serve most lungs over all that is not known of the populations.

    Parameters
    ----------
    question : Question
        Model, populations, rules, and `knowledge`, the outer draws; without them the populations
        are taken as they are.
    options : Robust, optional
        The settings, whether single values or ranges of them, and what is wanted.
    axes : mapping of str to ndarray, shape (m,)
        The values among which each setting is chosen, by name.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (rule, choice): `chosen_NAME` (bound_side) of each setting; `goal_share`, and
        `reached_share` (population), each with its interval of lungs and of knowledge;
        `searched_share`. The first choice is for all groups, the others for each alone.
        Dims (rule, population): `loss` beside the group's own best. Dims (rule): `best_draws`,
        `near_draws`, `lost` and `lost_most`, NaN without knowledge. Over the first two settings:
        `attainable`.

    Raises
    ------
    EbbmapError
        For values that cannot be, a setting without values, a width between no two of them, too
        few outer draws, or no rules.

    Notes
    -----
    Every choice on the grid is tried on the same lungs in every outer draw, so the search is exact
    for these lungs. What is said of a choice comes from lungs and outer draws that were not
    searched. Of choices that are equally good the one nearest to their middle is taken. A range
    serves a lung if it is safe at every value of the axes in it; lungs that were not searched are
    tried between these values too.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> asked = Question("linear", rules={"flow_ratio": limit_set("flow_ratio")})
    >>> found = find_robust(asked, axes={"t_low": [0.1, 0.3, 0.5, 0.7]})
    >>> found["chosen_t_low"].squeeze().values.tolist()
    [0.3, 0.3]
    """
    options = options or Robust()
    refuse_unused(axes, *options.over)
    return robust_pieces(question, options, axes).whole(progress)


def robust_pieces(question: Question, options: Robust, axes: Axes) -> Pieces[xr.Dataset]:
    """Cut search and certificate into groups and outer draws; see `find_robust`."""
    question.require_rules()
    refuse_drawn(question, options.over, AMONG_SETTINGS)
    if question.knowledge:
        check_draws(question.knowledge, options.level)
    search = Search(
        question,
        axes_of(axes, *options.over),
        options.width,
        options.goal,
        options.sure,
        options.near,
    )
    _ = search.spans  # refuses a width that is between no two values before any work
    return Pieces(search.wanted, search.solve, lambda found: _joined(search, options, found))


def _joined(search: Search, options: Robust, found: Found) -> xr.Dataset:
    """Put all that was found together."""
    question, draws = search.question, search.question.knowledge
    served = {
        work: found[FRESH.format(i)]["served"].values > 0 for i, work in enumerate(search.works)
    }
    groups = range(len(question.groups()))
    numbers = [
        _numbers(search, np.stack([served[group, draw] for group in groups]))
        for draw in range(1 + draws)
    ]
    central = numbers[0].merge(_intervals(search, options, served))
    central = central.merge(_chosen(search, found["choice"]))
    label_variables(
        central,
        VARIABLES,
        axes=list(search.axes)[:2],
        level=options.level,
        goal=GOALS[options.goal],
        near=points_text(options.near),
    )
    describe_settings(central, "chosen", search.axes, "that is chosen")
    known = NOT_ASKED if question.populations else ""
    if draws:
        declared = {n: v for n, v in VARIABLES.items() if n.endswith(KNOWLEDGE)}
        add_intervals(central, xr.concat(numbers[1:], dim=DRAW), declared, options.level)
        known = asked_text(options.level, draws)
    return _with_words(central, search, options).assign_attrs(knowledge=known)


def _numbers(search: Search, served: np.ndarray) -> xr.Dataset:
    """Return the numbers of one draw, from verdicts of shape (k, r, c, n)."""
    share = served.mean(axis=-1)
    data: dict[str, Any] = {
        "goal_share": (("rule", "choice"), goal_of(share, search.goal)),
        "reached_share": (("population", "rule", "choice"), share),
    }
    if len(search.choices) > 1:
        own = np.stack([share[group, :, 1 + group] for group in range(len(share))])
        data["loss"] = (("population", "rule"), own - share[:, :, 0])
    names = search.question.group_names
    coords = {"rule": list(search.question.rules), "choice": search.choices, "population": names}
    return xr.Dataset(data, coords)


def _intervals(
    search: Search, options: Robust, served: Mapping[tuple[int, int], np.ndarray]
) -> xr.Dataset:
    """Return the intervals over lungs, of the populations as they are."""
    central = np.stack([own for (_, draw), own in served.items() if draw == 0])
    n = central.shape[-1]
    data: dict[str, Any] = {
        "goal_share_interval": (
            ("ci_bound", "rule", "choice"),
            goal_interval(central, options.goal, options.level),
        ),
        "reached_share_interval": (
            ("ci_bound", "population", "rule", "choice"),
            np.stack(wilson(central.sum(axis=-1), n, options.level)),
        ),
    }
    if len(search.choices) > 1:
        own = np.stack([central[group, :, 1 + group] for group in range(len(central))])
        _, low, high = paired_difference(own, central[:, :, 0], options.level)
        data["loss_interval"] = (("ci_bound", "population", "rule"), np.stack([low, high]))
    return xr.Dataset(data, {"ci_bound": ["lower", "upper"]})


def _chosen(search: Search, choice: xr.Dataset) -> xr.Dataset:
    """Return what the search chose, and how it did there."""
    place = choice["place"].transpose("rule", "choice", "setting").values
    ends = np.array([[search.ends_of(own) for own in row] for row in place])
    data: dict[str, Any] = {
        f"chosen_{name}": (("rule", "choice", "bound_side"), ends[:, :, column])
        for column, name in enumerate(search.axes)
    }
    data["searched_share"] = (("rule", "choice"), choice["searched"].values)
    for name in ("best_draws", "near_draws", "lost", "lost_most"):
        known = choice[name].values if search.question.knowledge else np.nan * choice[name].values
        data[name] = ("rule", known)
    shown = list(search.axes)[:2]
    data["attainable"] = (("rule", *shown), choice["attainable"].values)
    middles = {
        name: (axis[first] + axis[last]) / 2.0
        for (first, last), (name, axis) in zip(search.spans, search.axes.items(), strict=True)
        if name in shown
    }
    return xr.Dataset(data, {"bound_side": ["lower", "upper"], **middles})


def _with_words(dataset: xr.Dataset, search: Search, options: Robust) -> xr.Dataset:
    question = search.question
    return add_provenance(
        dataset,
        question,
        f"settings that serve most lungs, over {', '.join(search.axes)}",
        Use(tuple(search.axes), outcomes=question.outcomes),
        comment="Chosen on some lungs and outer draws; what is said of a choice comes from others.",
        lungs=lungs_drawn(question),
        goal=GOALS[options.goal],
        sure=options.sure or 0.0,
        near=options.near,
        draws=question.knowledge,
        ci_level=options.level,
        over="; ".join(span_text(name, axis) for name, axis in search.axes.items()),
        on_an_end=", ".join(_on_an_end(dataset, search.axes)),
    )


def _on_an_end(dataset: xr.Dataset, axes: Mapping[str, np.ndarray]) -> Iterator[str]:
    """Yield the settings of which a choice for all groups takes the first or the last value."""
    for name, axis in axes.items():
        chosen = dataset[f"chosen_{name}"].isel(choice=0).values
        if len(axis) > 1 and np.isin(chosen, axis[[0, -1]]).any():
            yield PARAMETERS[name].long_name


def end_words(result: xr.Dataset) -> str:
    """Return what was not tried because a choice lies on an end; empty if none does."""
    names = str(result.attrs["on_an_end"])
    return f"The choice takes an end of {names}: what lies beyond was not tried." if names else ""


def _size(question: Question, options: Robust, axes: Axes) -> Size:
    rules, groups = max(1, len(question.rules)), groups_of(question)
    places = int(np.prod([len(axes[name]) for name in options.over]))
    choices = rules * (1 + groups)
    tried = choices * (places if options.width else 1) + choices * TRIED * bool(options.width)
    draws = 1 + question.knowledge
    cases = groups * draws * lungs_drawn(question) * (places + tried)
    kept = groups * draws * rules * (places + choices * lungs_drawn(question))
    return Size(cases, BLOCK, kept)


def _check(asked: Asked) -> Iterator[str]:
    yield from check_over(AMONG_SETTINGS)(asked)
    for name in sorted(set(asked.table("width")) - set(asked.words("over"))):
        yield f"{asked.place}.width: {name} is not chosen. Add it to over, or drop it."


ANALYSIS = analysis_over(
    "robust",
    Robust,
    long_name="settings that serve most lungs, whatever is not known",
    pieces=robust_pieces,
    size=_size,
    variables=VARIABLES,
    check=_check,
)
