"""Every number and word that a page prints is read back and held against its dataset."""

import re

import numpy as np
import pytest

from ebbmap.plotting.mapping import NAMED_ABOVE
from ebbmap.plotting.pages import pages_of
from ebbmap.plotting.pages.caption import conditions, limits_text, rules_of
from ebbmap.plotting.style import END, short, words
from ebbmap.registries.parameters import PARAMETERS
from plotting.every_page import DRAWN, results
from plotting.facts import FACTS, each, names, rule_of

# every page of four studies is drawn
pytestmark = pytest.mark.slow

#: Studies that have every kind of page between them.
READ = ("tube, three", "paired, three", "stepped, one")

#: Texts of a dataset up to this length are names or units, and hide nothing that is printed.
LEAST_SENTENCE = 5

#: Chemical formulas, whose figures are no numbers.
FORMULA = re.compile(r"CO2|O2|H2O")

#: Numbers that a caption states of itself: the bundled ranges of the rules, and N of one lung.
STATED = re.compile(r"50 to 75 %|N = 1\b")


@pytest.fixture(scope="module", params=READ)
def read(request):
    """Kind, result, name, figure and text of every page, without the work of laying it out."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("ebbmap.plotting.pages.caption.settle", lambda figure: None)
        return [
            (kind, result, name, figure, text)
            for kind, result in results(request.param)
            for name, figure, text in pages_of(kind, result)
        ]


def caption_of(figure):
    (caption,) = [text for text in figure.texts if text.get_gid() == "caption"]
    return " ".join(caption.get_text().split())


def test_there_are_facts_for_every_kind_of_page():
    assert set(FACTS) == DRAWN


def test_alternative_texts_say_what_the_dataset_holds_and_nothing_else(read):
    for kind, result, name, _, text in read:
        left = text
        for fact in FACTS[kind](name, result):
            assert fact in left, (name, fact)
            left = left.replace(fact, "", 1)
        assert not re.search(r"\d", FORMULA.sub("", left)), (name, left)


def test_captions_state_every_condition_and_no_number_from_elsewhere(read):
    for kind, result, name, figure, _ in read:
        caption = caption_of(figure)
        for said in conditions(result):
            assert said in caption, (name, said)
        held = [*conditions(result), limits_text(result, "*")]
        held += [limits_text(result, rule) for rule in rules_of(result)] + FACTS[kind](name, result)
        held += [str(value) for value in result.attrs.values() if isinstance(value, str)]
        held += [
            str(text)
            for variable in result.variables.values()
            if variable.dtype.kind in "OU"
            for text in variable.values.ravel()
        ]
        # what a caption quotes from the registry
        held.append(PARAMETERS["closing_time_constant"].source)
        if "convergence" in name or kind == "given":
            middle = float(result["t_low"][result.sizes["t_low"] // 2])
            held.append(f"at T low {middle:g} s")
        left = caption
        sentences = (said for said in held if len(said) > LEAST_SENTENCE)
        for said in sorted(sentences, key=len, reverse=True):
            left = left.replace(said, "")
        left = STATED.sub("", left)
        allowed = numbers_of(result)
        for number in re.findall(r"\d[\d,]*(?:\.\d+)?", FORMULA.sub("", left)):
            assert float(number.replace(",", "")) in allowed, (kind, name, number, left)


def numbers_of(result):
    """Numbers that a caption may state: sizes, whole attributes, levels, shares in percent."""
    allowed = {float(size) for size in result.sizes.values()}
    attrs = [result.attrs, *(variable.attrs for variable in result.variables.values())]
    plain = [v for one in attrs for v in one.values() if isinstance(v, int | float)]
    allowed |= {float(v) for v in plain} | {round(100 * v) for v in plain if 0 < v < 1}
    allowed |= {100 * NAMED_ABOVE, NAMED_ABOVE, 95.0, 15.0, 50.0}
    for name in ("rows", "longer_t_low", "share"):
        if name in result:
            values = result[name].values.ravel()
            allowed |= {float(v) for v in values} | {
                float(round(100 * v)) for v in values[values < 1]
            }
    return allowed


def test_limits_are_written_out_where_a_page_says_what_is_safe(read):
    for kind, result, name, figure, _ in read:
        caption = caption_of(figure)
        if kind in ("map", "mapping", "boxes"):
            assert limits_text(result, rule_of(name, result)) in caption
        elif kind in ("trade", "wean", "window"):
            assert limits_text(result, "*") in caption
        assert ("dashed" not in caption.lower()) or dashed(figure), name


def dashed(figure):
    """Whether any line of a figure is dashed."""
    return any(line.is_dashed() for ax in figure.axes for line in ax.lines)


def lines_of(ax):
    return {line.get_label(): line for line in ax.lines if not line.get_label().startswith("_")}


def test_blame_names_the_side_on_which_the_lungs_lie(read):
    for kind, result, name, figure, _ in read:
        if kind != "mapping":
            continue
        one = result.sel(rule=rule_of(name, result), event=["too_low", "too_high"])
        for ax, (_, _, part) in zip(figure.axes, each(one, "population", "event"), strict=True):
            said = {t.get_text() for t in ax.texts if t.get_gid() == END}
            wanted = set()
            for factor, own in each(part, "parameter"):
                value = own["distance"].values
                if np.isfinite(value).any() and np.nanmax(value) > NAMED_ABOVE:
                    high = own["direction"].values[np.nanargmax(value)] > 0
                    wanted.add(f"{'high' if high else 'low'} {short(factor)}")
            assert said == wanted, name


def test_the_trade_draws_each_setting_under_its_verdict(read):
    for kind, result, _, figure, _ in read:
        if kind != "trade":
            continue
        x, y = result.attrs["costs"].split()[:2]
        panels = [(rule, n) for rule in names(result, "rule") for n in names(result)]
        shown = [ax for ax in figure.axes if ax.get_visible()]
        for (rule, name), ax in zip(panels, shown, strict=True):
            part = result.sel(rule=rule, population=name)
            verdict = part["verdict"].values.ravel()
            # flag values: safe 0, caution 1, unsafe 2
            for some, kept in (("no", verdict <= 1), ("a", verdict == 2)):
                label = f"{some} hard limit broken"
                line = lines_of(ax)[label]
                np.testing.assert_array_equal(line.get_xdata(), part[x].values.ravel()[kept])
                np.testing.assert_array_equal(line.get_ydata(), part[y].values.ravel()[kept])


def test_a_second_order_index_is_filled_only_where_surely_above_zero(read):
    for _, result, name, figure, _ in read:
        if "interactions" not in name:
            continue
        one = result.sel(outcome=name.split("interactions_")[1])
        weight = np.abs(one["second"]).sum(("parameter", "parameter_other"))
        for population, ax in zip(names(result), figure.axes, strict=False):
            part = one.sel(population=population)
            part = part.isel(t_low=int(weight.sel(population=population).values.argmax()))
            # the ten factors that weigh most, in their order
            totals = part["total"].fillna(-np.inf).values
            leading = sorted(sorted(range(totals.size), key=lambda k: (-totals[k], k))[:10])
            part = part.isel(parameter=leading, parameter_other=leading)
            for mark in ax.lines:
                (j,), (i,) = np.round(mark.get_xdata()), np.round(mark.get_ydata())
                at = part.isel(parameter=int(i))
                low = (
                    at["first_interval"]
                    if i == j
                    else at["second_interval"].isel(parameter_other=int(j))
                )
                sure = float(low.sel(ci_bound="lower")) > 0
                assert (mark.get_markerfacecolor() != "none") == sure
                assert mark.get_marker() == "o"


def test_numbers_below_lungs_side_by_side_are_theirs(read):
    for kind, result, name, figure, _ in read:
        if kind != "compare" or name == "release_named":
            continue
        table = figure.axes[-1]
        cells = [text.get_text() for text in table.texts]
        cases, rows = names(result, "case"), result.attrs["table"].split()
        assert [cell.replace("\n", " ") for cell in cells[: len(cases)]] == [
            case.replace("_", " ") for case in cases
        ]
        width = 1 + len(cases)
        for number, outcome in enumerate(rows):
            line = cells[len(cases) + number * width :][:width]
            assert line[1:] == [f"{float(v):.3g}" for v in result[outcome].values]


def test_every_curve_of_lungs_side_by_side_is_whole(read):
    for kind, _, page, figure, _ in read:
        if kind != "compare" or page == "release_named":
            continue
        drawn = dict.fromkeys(("flow_ratio", "exhaled_fraction"), False)
        for ax in figure.axes:
            low, high = ax.get_ylim()
            for line in ax.lines if ax.axison else ():
                values = np.asarray(line.get_ydata(), float)
                values = values[np.isfinite(values)]
                name = line.get_label()
                # a rule has no part of a decay that is too short or too long for it
                assert values.size or name in drawn
                drawn[name] = drawn.get(name, False) or bool(values.size)
                assert ((low <= values) & (values <= high)).all(), name
        said = {text.get_text() for ax in figure.axes for text in ax.texts}
        for rule in ("flow_ratio", "exhaled_fraction"):
            assert (f"{words(rule)} rule" in said) == drawn[rule]
            assert (f"{words(rule)} rule: later than shown" in said) != drawn[rule]
