"""Every table and every JSON of the command line, cell by cell, against what it was made from."""

import json
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from typer.testing import CliRunner

from committee_case import PLAIN, RULED, check_of, margin_by_hand, protocol_of
from ebbmap.analyses.adjust import find_adjust
from ebbmap.analyses.boxes import Boxes, find_boxes
from ebbmap.analyses.collapse import Collapse, find_collapse
from ebbmap.analyses.common.windows import search_windows
from ebbmap.analyses.course import Course, find_course
from ebbmap.analyses.map import Map, find_map
from ebbmap.analyses.mapping import FactorMapping, find_mapping
from ebbmap.analyses.screening import Screening, find_screening
from ebbmap.analyses.shapley import Shapley, find_shapley
from ebbmap.analyses.sobol import Sobol, find_sobol
from ebbmap.analyses.trade import Trade, find_trade
from ebbmap.analyses.wean import Wean, find_wean
from ebbmap.analyses.window import find_window
from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import simulate
from ebbmap.caution import CAUTION
from ebbmap.cli import app
from ebbmap.cli.study import _closing
from ebbmap.committee.difference import compare_drafts
from ebbmap.files.protocol import parse_protocol
from ebbmap.lungs import LUNGS, lung_model
from ebbmap.registries.limits import LIMIT_SETS, combine, limit_set
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.runs.costs import Cost
from ebbmap.runs.status import PartStatus, Status
from ebbmap.tables.adjust import adjust_document
from ebbmap.tables.adjust import tables as adjust_tables
from ebbmap.tables.case import case_document, case_table
from ebbmap.tables.committee.difference import difference_table
from ebbmap.tables.committee.verdict import short_verdict_table
from ebbmap.tables.registries import registry_tables
from ebbmap.tables.results import summary
from ebbmap.tables.runs import cost_table, run_status, status_table, time_text
from ebbmap.tables.terminal import print_out, progress_bar
from ebbmap.tables.wean import tables as wean_tables
from ebbmap.tables.wean import wean_document
from ebbmap.tables.window import lung_table, window_document
from ebbmap.units import display

GROUPS = tuple(POPULATIONS[name] for name in ("normal", "obstructive"))
RULES = {
    rule: combine(rule, *(limit_set(name) for name in ("pressure", "auto_peep", rule)))
    for rule in ("flow_ratio", "exhaled_fraction")
}
SET = {"p_high": 20.0, "p_low": 2.0, "t_high": 4.0, "t_low": 0.5}
PLACES = np.array([0.3, 0.5, 0.8, 1.2])
#: The sides of these limits as a bedside calls them, by hand.
CLOSERS = {
    "end_high_pressure_high": "alveolar pressure at end of T high too high",
    "driving_pressure_high": "driving pressure too high",
    "auto_peep_high": "auto-PEEP too high",
    "end_release_pressure_low": "alveolar pressure at end of release too low",
    "flow_ratio_low": "flow ratio too low",
    "flow_ratio_high": "flow ratio too high",
    "exhaled_fraction_low": "exhaled fraction too low",
    "exhaled_fraction_high": "exhaled fraction too high",
    "none": "end of the range searched",
}
VERDICTS = ("safe", "caution", "unsafe", "undetermined")
SIGNS = {"safe": "●", "caution": "◐", "unsafe": "✕", "undetermined": "?"}


@lru_cache
def question(populations=("normal", "obstructive"), lungs=40, *, samples=()):
    groups = tuple(POPULATIONS[name] for name in populations)
    return Question(
        "linear",
        {"p_high": 20.0, "p_low": 2.0, "t_high": 4.0},
        dict(samples),
        groups,
        RULES,
        lungs,
        1,
    )


def heads(table):
    return [column.head for column in table.columns]


def rows(table):
    """Cells of a table as they are read, each row a dict by head."""
    return [dict(zip(heads(table), row, strict=True)) for row in table.written()]


def one_table(kind, ds):
    (table,) = tables_of(kind, ds)
    return table


def tables_of(kind, ds):
    """Return the tables of a summary; the line under them says what was held."""
    *tables, held = summary(kind, ds)
    assert held.columns == ()
    assert ds.attrs["fixed"] in held.notes[0]
    return tables


def share_of(value, sign=""):
    """A counted share: whole per cent, and never none or all by rounding."""
    value = float(value)
    if 0.0 < abs(value) < 0.005:
        return ("-" if value < 0 else sign) + "<1"
    if 0.995 < abs(value) < 1.0:
        return ("-" if value < 0 else sign) + ">99"
    return f"{100 * value:{sign if value else ''}.0f}"


def percent(value, digits=0):
    return f"{100 * float(value):.{digits}f} %"


# one case


@pytest.fixture(scope="module")
def solved():
    found = simulate("linear", **SET, sex="male", height=180.0)
    # as the command line says it: what nobody gave
    found.attrs["defaults"] = "compliance fio2"
    return found


def test_a_case_shows_every_parameter_and_outcome_with_its_unit(solved):
    table = case_table(solved)
    assert table.title == "settled cycle, lung linear, status ok"
    told = rows(table)
    names = [r["name"] for r in told]
    assert len(names) == len(set(names))
    assert set(names) == {
        str(n) for n in [*solved.coords, *solved.data_vars] if n in PARAMETERS or n in OUTCOMES
    }
    assert {"t_low", "auto_peep", "paco2"} <= set(names)
    for row in told:
        name = row["name"]
        entry = PARAMETERS.get(name) or OUTCOMES[name]
        default = " (default)" if name in solved.attrs["defaults"].split() else ""
        assert (row["unit"], row["in words"]) == (
            display(entry.units),
            f"{entry.long_name}{default}",
        )
        if name == "sex":
            assert row["value"] == "male"
        else:
            # four digits of an outcome, six of a parameter
            assert float(row["value"]) == pytest.approx(float(solved[name]), rel=5e-4)


def test_a_case_as_json_holds_every_digit(solved):
    told = json.loads(json.dumps(case_document(solved)))
    assert told["caution"] == CAUTION
    assert (told["lung"], told["status"]) == ("linear", "ok")
    assert set(told["outcomes"]) == {str(n) for n in solved.data_vars if n in OUTCOMES}
    assert set(told["parameters"]) == {str(n) for n in solved.coords if n in PARAMETERS}
    for part in ("parameters", "outcomes"):
        for name, entry in told[part].items():
            assert entry["value"] == float(solved[name])
            assert entry["units"] == solved[name].attrs["units"]
            if part == "parameters":
                assert entry["default"] is (name in solved.attrs["defaults"].split())


def test_what_is_not_known_is_null_in_json():
    lost = simulate("linear", **{**SET, "t_low": 0.02})
    assert np.isnan(lost["paco2"])
    assert case_document(lost)["outcomes"]["paco2"]["value"] is None


# windows of one lung


def invoke(*words):
    told = CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)
    assert told.exit_code == 0, told.stderr
    return told.stdout


def margins_at(limits, t_low, **case):
    """Margin of every hard bound at some T low, shape (k, n)."""
    t_low = np.atleast_1d(t_low)
    values = {name: np.full(t_low.size, float(value)) for name, value in case.items()}
    found = evaluate(lung_model("linear"), {**values, "t_low": t_low}, limits.outcomes).outcomes
    return np.stack(
        [np.broadcast_to(margin_by_hand(b, found[b.outcome]), t_low.shape) for b in limits.hard]
    )


USUAL = combine(
    "flow_ratio", *(limit_set(n) for n in ("pressure", "volume", "auto_peep", "flow_ratio"))
)

#: Lungs with a window, and lungs whose limits leave none.
WINDOWS = [
    {"p_high": 20, "compliance": 35, "resistance_exp": 20},
    {"p_high": 18, "compliance": 40, "resistance_exp": 14},
    {"p_high": 28, "compliance": 90, "resistance_exp": 30},
    {"p_high": 26, "compliance": 70, "resistance_exp": 12},
    {"p_high": 18, "compliance": 22, "resistance_exp": 10},
]

FINE = np.geomspace(0.05, 8.0, 40_000)


def pieces_by_hand(limits, **case):
    """Ends of every piece of a fine grid on which all limits hold, and the least margins."""
    least = margins_at(limits, FINE, **case).min(axis=0)
    edge = np.flatnonzero(np.diff(np.concatenate([[False], least >= 0, [False]]).astype(int)))
    return [(FINE[a], FINE[b - 1]) for a, b in edge.reshape(-1, 2)], least


def breaking(limits, place, **case):
    """Return the bound that is broken most at a T low."""
    return limits.hard[int(margins_at(limits, place, **case)[:, 0].argmin())]


def seconds(cell):
    return float(cell.split()[0])


@pytest.mark.parametrize("case", WINDOWS, ids=str)
def test_a_window_names_its_ends_and_the_limit_that_each_end_breaks(case):
    held = {**case, "p_low": 0.0, "t_high": 5.0}
    told = rows(lung_table(search_windows("linear", held, USUAL), USUAL))
    if case is WINDOWS[0]:
        words = [w for n, v in held.items() for w in ("--set", f"{n}={v}")]
        words += [w for name in ("pressure", "volume", "auto_peep") for w in ("--limits", name)]
        words += ["--lung", "linear", "--rule", "flow_ratio", "--all"]
        printed = invoke("window", *words)
        assert all(row["T low"] in printed for row in told)
    by_name = {r["what"]: r for r in told}
    pieces, least = pieces_by_hand(USUAL, **held)
    tau = case["resistance_exp"] * case["compliance"] / 1000.0
    assert seconds(by_name["expiratory time constant"]["T low"]) == pytest.approx(tau, abs=6e-4)
    margin = float(by_name["margin there"]["T low"])
    assert margin == pytest.approx(least.max(), abs=6e-4)
    best = FINE[least.argmax()]
    for number, (low, high) in enumerate(pieces, start=1):
        which = f", piece {number} of {len(pieces)}" if len(pieces) > 1 else ""
        for word, edge, beyond in (("shortest", low, 0.999), ("longest", high, 1.001)):
            row = by_name[f"{word}{which}"]
            # a grid step of 0.013 %, and three decimals
            assert seconds(row["T low"]) == pytest.approx(edge, rel=3e-4, abs=6e-4)
            assert row["closed by"] == breaking(USUAL, edge * beyond, **held).sentence
    if pieces:
        told_best = seconds(by_name["largest margin"]["T low"])
        assert told_best == pytest.approx(best, rel=2e-3)
    else:
        assert "no window" in by_name
        for word, beyond in (("shorter", 0.999), ("longer", 1.001)):
            row = by_name[f"{word} fails by"]
            assert row["closed by"] == breaking(USUAL, best * beyond, **held).sentence


def test_both_kinds_of_lung_are_tried():
    some = [bool(pieces_by_hand(USUAL, p_low=0.0, t_high=5.0, **c)[0]) for c in WINDOWS]
    assert any(some) and not all(some)


def test_windows_as_json_are_those_of_each_lung():
    case = {
        "p_high": 18.0,
        "p_low": 0.0,
        "t_high": 5.0,
        "compliance": np.array([40.0, 22.0]),
        "resistance_exp": np.array([14.0, 10.0]),
    }
    told = json.loads(json.dumps(window_document(search_windows("linear", case, USUAL))))
    assert (told["caution"], told["units"], told["lung"]) == (CAUTION, "s", "linear")
    assert len(told["windows"]) == 2
    for number, row in enumerate(told["windows"]):
        held = {k: v if np.ndim(v) == 0 else v[number] for k, v in case.items()}
        pieces, least = pieces_by_hand(USUAL, **held)
        assert row["state"] == ("window" if pieces else "no_window")
        assert row["best_margin"] == pytest.approx(least.max(), abs=1e-3)
        best = FINE[least.argmax()]
        assert row["best"] == pytest.approx(best, rel=2e-3)
        assert len(row["pieces"]) == len(pieces)
        for piece, (low, high) in zip(row["pieces"], pieces, strict=True):
            assert piece["lower"] == pytest.approx(low, rel=3e-4)
            assert piece["upper"] == pytest.approx(high, rel=3e-4)
            assert piece["lower_bound"] == breaking(USUAL, low * 0.999, **held).name
            assert piece["upper_bound"] == breaking(USUAL, high * 1.001, **held).name
        ends = pieces[0] if pieces else (best, best)
        assert row["shorter_fails"] == breaking(USUAL, ends[0] * 0.999, **held).name
        assert row["longer_fails"] == breaking(USUAL, ends[1] * 1.001, **held).name


def test_windows_of_populations():
    asked = question()
    found = find_window(asked)
    told = rows(one_table("window", found))
    assert [(r["rule"], r["population"]) for r in told] == [
        (rule, g.name) for rule in RULES for g in GROUPS
    ]
    # the places that are looked at among many others
    fine = np.unique(np.concatenate([np.geomspace(0.05, 8.0, 3000), found["t_low"].values]))
    looked = np.isin(fine, found["t_low"].values)
    for row in told:
        group = next(one for one in asked.populations if one.name == row["population"])
        lungs = draw_cases(asked, group, {})
        values = {k: np.broadcast_to(np.asarray(v), (40,))[:, None] for k, v in lungs.items()}
        outcomes = evaluate(
            lung_model("linear"), {**values, "t_low": fine[None]}, RULES[row["rule"]].outcomes
        ).outcomes
        safe = np.all(
            [
                margin_by_hand(b, np.broadcast_to(outcomes[b.outcome], (40, fine.size))) >= 0
                for b in RULES[row["rule"]].hard
            ],
            axis=0,
        )
        # a window narrower than a step of the grid may be missed: one lung in 40
        share = float(row["lungs with a window"].partition(" %")[0])
        assert share == pytest.approx(100 * safe.any(axis=1).mean(), abs=3.0)
        # pressures, auto-PEEP and the rule are known of every lung; all rise or fall in one go
        assert (row["undetermined"], row["several pieces"]) == ("0 %", "0 %")
        most = row["one T low serves at most"].partition(" %")[0]
        place = row["at T low [s]"].partition(" ")[0]
        there = safe[:, np.abs(fine - float(place)).argmin()].mean()
        assert float(most) == pytest.approx(100 * safe[:, looked].mean(axis=0).max(), abs=3.0)
        assert float(most) == pytest.approx(100 * there, abs=3.0)
        one = found.sel(rule=row["rule"], population=row["population"])
        for word, side in (("below", "shorter_fails"), ("above", "longer_fails")):
            closer = row[f"closes most windows {word}"]
            names, counts = np.unique(one[side].values.astype(str), return_counts=True)
            assert closer in [CLOSERS[name] for name in names[counts == counts.max()]]


def test_windows_that_are_unknown_or_in_pieces_are_counted():
    found = find_window(question()).copy(deep=True)
    found["pieces"][..., :10] = 2
    found["window_undetermined_share"][:] = 0.125
    for row in rows(one_table("window", found)):
        pieces = found["pieces"].sel(rule=row["rule"], population=row["population"])
        assert row["several pieces"] == percent((pieces > 1).mean()) != "0 %"
        assert row["undetermined"] == "12 %"


# a check and a comparison of drafts


def with_ends(value, low, high):
    return f"{share_of(value)} % ({share_of(low)} to {share_of(high)})"


@pytest.mark.parametrize("text", [RULED, PLAIN], ids=["ruled", "plain"])
def test_verdict_of_a_check(text):
    check = check_of(text)
    ds, limits = check.results["verdict"], check.protocol.limits
    told = rows(short_verdict_table(ds, limits))
    assert [r["group"] for r in told] == ["normal", "obstructive", "all"]
    for row in told:
        one = ds.sel(group=row["group"])
        low, high = one["safe_share_interval"].values
        broken = one["broken_share"]
        assert row == {
            "group": row["group"],
            "grade": f"{SIGNS[str(one['grade'].values)]} {one['grade'].values}",
            "wanted": f"{100 * float(one['wanted_share']):g} %",
            "safe, caution included": with_ends(one["safe_share"], low, high),
            "caution": share_of(one["verdict_share"].sel(verdict="caution")) + " %",
            "undetermined": share_of(one["verdict_share"].sel(verdict="undetermined")) + " %",
            "no steady state": (
                share_of(one["unsteady_share"]) + " %"
                if np.isfinite(one["unsteady_share"])
                else "–"
            ),
            "lungs with no safe setting": with_ends(
                one["none_share"], *one["none_share_interval"].values
            ),
            "fails most": limits.hard[int(broken.values.argmax())].sentence,
        }


def test_a_draft_that_breaks_nothing_says_so():
    check = check_of(PLAIN)
    ds = check.results["verdict"].copy(deep=True)
    ds["broken_share"][:] = 0.0
    assert {r["fails most"] for r in rows(short_verdict_table(ds, check.protocol.limits))} == {
        "nothing"
    }


def test_difference_of_two_drafts():
    new = parse_protocol(
        PLAIN.replace("{ low = 0.35, high = 0.45 }", "{ low = 0.5, high = 0.7 }").replace(
            "[limits]", "[eligible]\ncompliance = { high = 55.0 }\n[limits]", 1
        )
    )
    ds = compare_drafts(protocol_of(PLAIN), new)
    told = rows(difference_table(ds))
    assert [r["group"] for r in told] == ["normal", "obstructive"]
    for row in told:
        one = ds.sel(group=row["group"])
        low, high = one["difference_interval"].values
        grades = one["grade"].values.astype(str)
        # of lungs that get the mode under both, in whole per cent that subtract as printed
        before, after = (100.0 * float(v) for v in one["same_share"].values)
        assert row == {
            "group": row["group"],
            "safe before": f"{before:.0f} %",
            "grade before": f"{SIGNS[grades[0]]} {grades[0]}",
            "safe after": f"{after:.0f} %",
            "grade after": f"{SIGNS[grades[1]]} {grades[1]}",
            "change, points (95 % interval)": (
                f"{round(after) - round(before):+d} ({100 * low:+.0f} to {100 * high:+.0f})"
            ),
            "lungs that gain": share_of(one["gain"]) + " %",
            "lungs that lose": share_of(one["lose"]) + " %",
            "let in": share_of(one["let_in"]) + " %",
            "left out": share_of(one["left_out"]) + " %",
        }


# registries


def test_registries_are_shown_entry_by_entry():
    tables = {t.title: rows(t) for t in registry_tables(None)}
    shown = tables["parameters"]
    assert [r["name"] for r in shown] == list(PARAMETERS)
    for row in shown:
        p = PARAMETERS[row["name"]]
        assert row == {
            "name": p.name,
            "unit": p.units,
            "bounds": f"{p.low:g} to {p.high:g}",
            "usual": f"{p.usual_low:g} to {p.usual_high:g}",
            "default": f"{p.default:g}",
            "kind": p.kind,
            "source": p.source,
        }
    shown = tables["outcomes"]
    assert [r["name"] for r in shown] == list(OUTCOMES)
    for row in shown:
        o = OUTCOMES[row["name"]]
        assert (row["unit"], row["source"]) == (o.units, o.source)
        assert row["in words"] == (f"{o.long_name}. {o.comment}" if o.comment else o.long_name)
    shown = tables["limit sets: starting points, not advice"]
    bounds = [(s.name, b) for s in LIMIT_SETS.values() for one in s.limits for b in one.bounds]
    expected = [(name, f"not {b.sentence}", b.severity, b.why) for name, b in bounds]
    assert [tuple(r.values()) for r in shown] == expected
    shown = tables["populations: invented lungs"]
    expected = [
        (g.name, n, f"{m.family} {m.centre:.4g}, {m.spread:.3g}", m.confirmed, m.source)
        for g in POPULATIONS.values()
        for n, m in g.marginals.items()
    ]
    assert [tuple(r.values()) for r in shown] == expected
    shown = tables["lung models"]
    assert [tuple(r.values()) for r in shown] == [
        (n, m.long_name, ", ".join(m.parameters), m.source) for n, m in LUNGS.items()
    ]


@pytest.mark.parametrize("name", ["p_high", "auto_peep", "pressure", "restrictive", "tube"])
def test_one_entry_alone(name):
    tables = list(registry_tables(name))
    shown = [r for t in tables for r in rows(t)]
    assert {next(iter(r.values())) for r in shown} == {name}
    # a limit set may have the name of an outcome
    assert len(tables) == (2 if name in OUTCOMES and name in LIMIT_SETS else 1)
    with pytest.raises(ValueError, match=f"did you mean '{name}'"):
        list(registry_tables(name[:-1] + "x"))


# studies


def test_map():
    ds = find_map(
        question(),
        Map(x="t_low", y="resistance_exp"),
        axes={"t_low": PLACES, "resistance_exp": np.array([10.0, 25.0])},
    )
    told = rows(one_table("map", ds))
    assert len(told) == 4
    for row in told:
        share = ds["safe_share"].sel(rule=row["rule"], population=row["population"])
        best = share.where(share == share.max(), drop=True)
        assert row["largest share"].partition(" (")[0] == f"{share_of(share.max())} %"
        at = best.sel(
            t_low=float(row["at t_low [s]"]),
            resistance_exp=float(row["at resistance_exp [cmH₂O·s/L]"]),
        )
        assert float(at) == float(share.max())
        unknown = ds["undetermined_share"].sel(rule=row["rule"], population=row["population"])
        assert row["undetermined"] == f"{share_of(unknown.mean())} %"


def test_a_map_without_a_determined_place_says_so():
    ds = find_map(
        question(),
        Map(x="t_low", y="resistance_exp"),
        axes={"t_low": PLACES, "resistance_exp": np.array([10.0, 25.0])},
    ).copy(deep=True)
    ds["safe_share"][:] = 0.0
    ds["undetermined_share"][:] = 1.0
    for row in rows(one_table("map", ds)):
        assert (row["largest share"], row["at t_low [s]"]) == ("none determined", "")


def test_trade():
    ds = find_trade(
        question(),
        Trade(axes=["t_low"], costs=("paco2", "closed_fraction")),
        axes={"t_low": PLACES},
    )
    told = rows(one_table("trade", ds))
    assert len(told) == 4
    for row in told:
        answer = ds["answer"].sel(rule=row["rule"], population=row["population"])
        assert row["does a setting keep all limits?"] == str(answer.values)


def test_course():
    asked = Question("linear", SET, {}, GROUPS)
    ds = find_course(asked, Course(change={"t_high": 2.0}, minutes=20.0))
    told = rows(one_table("course", ds))
    assert [r["population"] for r in told] == ["normal", "obstructive"]
    for row in told:
        one = ds.sel(population=row["population"])
        # 5 minutes are a point of the course: steps of half a minute
        assert row == {
            "population": row["population"],
            "PaCO₂ before [mmHg]": f"{float(one['paco2_start']):.1f}",
            "after 5 min [mmHg]": f"{float(one['paco2'].sel(time=300.0)):.1f}",
            "at the end of the course [mmHg]": f"{float(one['paco2'].sel(time=1200.0)):.1f}",
            "in balance [mmHg]": f"{float(one['paco2_end']):.1f}",
        }
        assert float(one["paco2_start"]) > float(one["paco2_end"])


@pytest.fixture(scope="module")
def collapsed():
    asked = Question(
        "stepped",
        {"p_high": 26.0, "p_low": 0.0, "t_high": 4.0, "recruitable_share": 0.4},
        {},
        (POPULATIONS["restrictive"],),
    )
    return find_collapse(
        asked, Collapse(t_low=(0.4, 1.0)), axes={"t_low": np.linspace(0.2, 1.6, 8)}
    )


def test_collapse(collapsed):
    told = rows(one_table("collapse", collapsed))
    one = collapsed.sel(population="restrictive")
    drawn = [r for r in told if r["release"] == "as drawn"]
    assert [float(r["T low [s]"]) for r in drawn] == one["release"].values.tolist()
    for row in drawn:
        t_low = float(row["T low [s]"])
        here = one.sel(t_low=t_low)
        assert row == {
            "population": "restrictive",
            "release": "as drawn",
            "T low [s]": f"{t_low:.2f}",
            "flow ratio": percent(here["flow_ratio"], 1),
            "closes": percent(here["closed_per_release"], 1),
            "if units closed at once": percent(here["closed_by_pressure"], 1),
            "reopens in T high": percent(one["reopened"].sel(release=t_low), 1),
        }
    rules = [r for r in told if r["release"] != "as drawn"]
    assert len(rules) == one.sizes["rule"]
    for row, rule in zip(rules, one["rule"].values, strict=True):
        last = one.sel(rule=rule, end="last")
        assert row["release"] == f"longest by {rule}"
        assert row["T low [s]"] == f"{float(last['rule_t_low']):.2f}"
        assert row["closes"] == percent(last["rule_closed"], 1)


# the bedside's commands


@pytest.fixture(scope="module")
def adjusted():
    return find_adjust(Question("linear", {**SET, "p_low": 1.0}, {}, GROUPS, RULES, 30, 2))


def test_steps(adjusted):
    tables_made = list(adjust_tables(adjusted))
    assert len(tables_made) == 7
    shown = ("paco2", "pao2", "mean_airway_pressure", "auto_peep", "closed_fraction")
    heads_of = {n: OUTCOMES[n].label for n in shown}
    for place, group in enumerate(("normal", "obstructive")):
        now, steps = tables_made[2 * place : 2 * place + 2]
        assert f"{group} lung" in now.title and f"{group} lung" in steps.title
        one = adjusted.sel(population=group)
        told = [*rows(now), *rows(steps)]
        single = [i for i in range(one.sizes["move"]) if int(one["size"][i]) <= 1]
        words = ["as set", *(str(one["move"].values[i]) for i in single[1:])]
        assert [r.get("step", r.get("settings")) for r in told] == words
        for row, i in zip(told, single, strict=True):
            here = one.isel(move=i)
            if not int(here["possible"]):
                assert row[heads_of["paco2"]] == "not tried"
                continue
            for name, head in heads_of.items():
                value = float(here[name] if i == 0 else here[f"change_{name}"])
                if row[head] == "no steady state":
                    assert np.isnan(value) and str(here["unsteady"].values)
                    continue
                # three digits
                assert float(row[head]) == pytest.approx(value, rel=0.0051, abs=1e-12), name
                assert i == 0 or row[head][0] in "+-"
            for rule in RULES:
                margin = float(here["margin"].sel(rule=rule))
                assert float(row[f"margin, {rule}"]) == pytest.approx(margin, abs=0.00501)
    assert any(int(p) == 0 for p in adjusted["possible"].values.ravel())


def test_best_moves_and_practice(adjusted):
    *_, best, _, practice = adjust_tables(adjusted)
    told = rows(best)
    assert [(r["population"], r["rule"]) for r in told] == [
        (g.name, rule) for g in GROUPS for rule in RULES
    ]

    def number(value):
        return f"{float(value):.1f}" if np.isfinite(value) else ""

    for row in told:
        one = adjusted.sel(population=row["population"], rule=row["rule"])
        assert row["single step"] == str(one["best_single"].values)
        assert row["PaCO₂ after the step [mmHg]"] == number(one["best_single_paco2"])
        assert row["pair of steps"] == str(one["best_pair"].values)
        assert row["PaCO₂ after the pair [mmHg]"] == number(one["best_pair_paco2"])
    assert any(r["PaCO₂ after the step [mmHg]"] for r in told)
    expected = []
    for group in ("normal", "obstructive"):
        for name in adjusted["practice"].values:
            one = adjusted.sel(population=group, practice=name)
            agrees, share = float(one["agrees"]), float(one["against_share"])
            if agrees < 0 or share > 0:
                word = {1: "agrees", 0: "no change", -1: "against"}.get(agrees, "unknown")
                expected.append(
                    (
                        group,
                        str(name),
                        str(one["practice_source"].values),
                        word,
                        f"{share_of(share)} %",
                        str(one["why"].values),
                    )
                )
    assert [tuple(r.values()) for r in rows(practice)] == (
        expected or [("", "nothing", "", "", "", "")]
    )


def test_how_far_each_setting_goes(adjusted):
    *_, reach, _ = adjust_tables(adjusted)
    told = rows(reach)
    assert len(told) == len(GROUPS) * len(RULES) * adjusted.sizes["setting"]
    for row in told:
        place = {name: row[name] for name in ("population", "rule", "setting")}
        one = adjusted.sel(**place)
        slope = float(one["margin_slope"])
        assert float(row["margin with one step"]) == pytest.approx(slope, rel=0.0051, abs=1e-12)
        for way in ("down", "up"):
            change = float(one["reach"].sel(direction=way))
            assert row[f"until, {way}"] == str(one["reached"].sel(direction=way).values)
            if not np.isfinite(change):
                assert row[f"{way} by"] == "nothing"
                continue
            # two digits
            assert float(row[f"{way} by"].split()[0]) == pytest.approx(change, rel=0.051)
            assert (change > 0) is (way == "up")
    assert any("nothing" != row["up by"] for row in told)
    firsts = [str(first) for first in adjusted["first_limit"].values.ravel()]
    assert [note.split(": ", 1)[1] for note in reach.notes] == firsts


def test_steps_as_json(adjusted):
    told = json.loads(json.dumps(adjust_document(adjusted)))
    one = adjusted.isel(population=0, rule=0)
    assert told["first_limit"] == str(one["first_limit"].values)
    for entry in told["reach"]:
        here = one.sel(setting=entry["setting"], direction=entry["direction"])
        change = float(here["reach"])
        assert entry["change"] == (change if np.isfinite(change) else None)
        assert entry["limit"] == str(here["reached"].values)
    assert (told["caution"], told["lung"]) == (CAUTION, "linear")
    assert told["best_single"] == str(one["best_single"].values)
    assert told["best_pair"] == str(one["best_pair"].values)
    assert [m["move"] for m in told["moves"]] == [str(m) for m in one["move"].values]
    for move, i in zip(told["moves"], range(one.sizes["move"]), strict=True):
        here = one.isel(move=i)
        assert move["possible"] is bool(int(here["possible"]))
        assert move["verdict"] == VERDICTS[int(here["verdict"])]
        for name, value in move.items():
            if name == "margin" or name.startswith("change_"):
                whole = float(here[name])
                assert value == (whole if np.isfinite(whole) else None)
    assert told["units"] == {n: adjusted[n].attrs["units"] for n in told["units"]}
    assert set(told["units"]) == {n for n in adjusted.data_vars if str(n).startswith("change_")}
    against = [
        (str(n), str(s), str(w))
        for n, s, w, a in zip(
            one["practice"].values,
            one["practice_source"].values,
            one["why"].values,
            one["agrees"].values,
            strict=True,
        )
        if a < 0
    ]
    assert [tuple(p.values()) for p in told["against_common_practice"]] == against


@pytest.fixture(scope="module")
def weaned():
    fixed = {"p_high": 22.0, "p_low": 0.0, "t_high": 4.0, "t_low_in_time_constants": 0.5}
    return find_wean(Question("linear", fixed, {}, GROUPS, RULES), Wean(p_high_end=14.0))


def steps_taken(route):
    """Count the steps up to the one at which weaning stops."""
    length, stop = int(np.isfinite(route["route_p_high"]).sum()), int(route["first_unsafe"])
    return length if stop < 0 else stop + 1


def test_weaning(weaned):
    *routes, ends = wean_tables(weaned)
    places = [
        (g.name, rule, route)
        for g in GROUPS
        for rule in RULES
        for route in ("common practice", "safest")
    ]
    assert len(routes) == len(places)
    for table, (group, rule, route) in zip(routes, places, strict=True):
        assert table.title == f"{route}, {group} lung, rule {rule}"
        one = weaned.sel(population=group, rule=rule, route=route)
        told = rows(table)
        assert [int(r["step"]) for r in told] == list(range(steps_taken(one)))
        for row in told:
            here = one.isel(step=int(row["step"]))
            assert row["P high [cmH₂O]"] == f"{float(here['route_p_high']):g}"
            assert row["T high [s]"] == f"{float(here['route_t_high']):g}"
            assert row["margin"] == f"{float(here['route_margin']):.2f}"
            assert row["verdict"] == VERDICTS[int(here["route_verdict"])]
            for name in ("paco2", "spo2", "closed_fraction", "mean_airway_pressure", "auto_peep"):
                cell = row[OUTCOMES[name].label]
                assert float(cell) == pytest.approx(float(here[name]), rel=0.0051)
    told = rows(ends)
    assert [tuple(r.values())[:3] for r in told] == places
    for row in told:
        one = weaned.sel(population=row["population"], rule=row["rule"], route=row["route"])
        step = int(one["first_unsafe"])
        assert row["first unsafe step"] == ("" if step < 0 else str(step))
        assert row["limit"] == ("not begun: " if step == 0 else "") + str(one["leaves"].values)
    assert any(row["first unsafe step"] for row in told)


def test_weaning_as_json(weaned):
    told = json.loads(json.dumps(wean_document(weaned)))
    one = weaned.isel(population=0, rule=0)
    assert (told["caution"], told["lung"]) == (CAUTION, "linear")
    assert list(told["routes"]) == ["common practice", "safest"]
    for route, found in told["routes"].items():
        here = one.sel(route=route)
        assert found["first_unsafe"] == int(here["first_unsafe"])
        assert found["leaves"] == str(here["leaves"].values)
        assert len(found["steps"]) == steps_taken(here)
        for at, step in enumerate(found["steps"]):
            assert step["route_p_high"] == float(here["route_p_high"][at])
            assert step.pop("unsteady") == str(here["unsteady"].values[at])
            for name, value in step.items():
                whole = float(here[name][at])
                assert value == (whole if np.isfinite(whole) else None)
    assert told["units"]["paco2"] == "mmHg"
    assert told["units"]["route_t_high"] == "s"
    assert set(told["units"]) == set(found["steps"][0])


# sensitivity

ALONG = {"along": "t_low", "at": PLACES[:3].tolist(), "outcomes": ("auto_peep",)}


@pytest.fixture(scope="module")
def driven():
    return find_sobol(question(), Sobol(base_size=64, resamples=100, **ALONG))


def leaders(one, name):
    """Factors above a tenth, largest first, with their interval."""
    values = {str(p): float(one[name].sel(parameter=p)) for p in one["parameter"].values}
    lines = []
    for parameter in sorted((p for p in values if values[p] > 0.1), key=lambda p: -values[p]):
        low, high = one[f"{name}_interval"].sel(parameter=parameter).values
        lines.append(f"{parameter} {values[parameter]:.2f} ({low:.2f} to {high:.2f})")
    return "\n".join(lines) or "does not vary"


def test_drivers_and_how_sure_they_are(driven):
    table, certainty = tables_of("sobol", driven)
    assert "N = 64" in table.title
    margins = ["margin_flow_ratio", "margin_exhaled_fraction"]
    told = rows(table)
    assert [(r["population"], r["outcome"]) for r in told] == [
        (g.name, m) for g in GROUPS for m in margins
    ]
    assert heads(table)[2:] == ["t_low 0.3", "t_low 0.5", "t_low 0.8"]
    for row in told:
        one = driven.sel(population=row["population"], outcome=row["outcome"])
        for place in (0.3, 0.5, 0.8):
            assert row[f"t_low {place:g}"] == leaders(one.sel(t_low=place), "total")
    for row in rows(certainty):
        one = driven.sel(population=row["population"])
        size = int(one["rows"])
        width = float(one["widest_by_size"].sel(size=size))
        assert row == {
            "population": row["population"],
            "verdict": str(one["verdict"].values),
            "base rows": f"{size:,}",
            "widest interval": f"{width:.3f}" if width < np.inf else "not known of every index",
            "ranking by distribution (PAWN)": str(one["disagreement"].values),
        }
    assert certainty.notes[0] == driven.attrs["failures"]
    # the variance of a yes-or-no outcome of 5 % is 0.0475
    flat = [
        (group.name, f"safe_{rule}")
        for group in GROUPS
        for rule in ("flow_ratio", "exhaled_fraction")
        if driven["variance"].sel(population=group.name, outcome=f"safe_{rule}").min() < 0.0475
    ]
    wide = [note for note in certainty.notes if "base rows would be needed" in note]
    # intervals of N = 64 are wide, unless an index has none
    known = np.isfinite(driven["widest_by_size"].sel(size=64)).sum()
    assert len(wide) == int(known)
    rest = certainty.notes[1 + len(wide) :]
    assert flat
    for (name, outcome), note in zip(flat, rest[: len(flat)], strict=True):
        assert note.startswith(f"{outcome} of {name} lungs is the same in more than 95 % of the")
    _, without = tables_of("sobol", driven.drop_vars("disagreement"))
    assert {r["ranking by distribution (PAWN)"] for r in rows(without)} == {"not asked"}


def test_an_index_that_is_small_or_unknown_is_no_leader(driven):
    still = driven.copy(deep=True)
    still["total"][:] = 0.1
    table, _ = tables_of("sobol", still)
    assert {r["t_low 0.3"] for r in rows(table)} == {"does not vary"}


def test_mapping():
    ds = find_mapping(
        question(lungs=200), FactorMapping(along="t_low", resamples=50), axes={"t_low": PLACES}
    )
    table = one_table("mapping", ds)
    assert "200 lungs each" in table.title
    told = rows(table)
    words = {"too_low": "release too short", "too_high": "release too long"}
    assert [tuple(r.values())[:3] for r in told] == [
        (rule, g.name, words[e]) for rule in RULES for g in GROUPS for e in words
    ]
    blamed = 0
    for row in told:
        event = {v: k for k, v in words.items()}[row["event"]]
        for place in (0.3, 0.8, 1.2):
            one = ds.sel(rule=row["rule"], population=row["population"], event=event, t_low=place)
            cell = row[f"t_low {place:g}"]
            assert cell.startswith(f"{percent(one['share'])}; ")
            distance = one["distance"].to_series()
            if distance.isna().all():
                assert cell.endswith("nothing to set apart")
                continue
            blamed += 1
            worst = one.sel(parameter=distance.idxmax())
            low, high = worst["distance_interval"].values
            word = "high" if float(worst["direction"]) > 0 else "low"
            assert cell.endswith(
                f"; {word} {distance.idxmax()} {distance.max():.2f} ({low:.2f} to {high:.2f})"
            )
    assert blamed >= 6


def test_boxes():
    ds = find_boxes(question(lungs=300), Boxes(resamples=10), axes={"t_low": np.array([0.15, 1.8])})
    table, several = tables_of("boxes", ds)
    assert several.columns[3].title == "box"
    assert ds.attrs["tried"] in table.title
    told = rows(table)
    assert len(told) == 4 * ds.sizes["event"]
    for row in told:
        for event in ds["event"].values:
            one = ds.sel(rule=row["rule"], population=row["population"], event=event)
            if str(one["sentence"].values) == row["box"]:
                low, high = one["density_interval"].values
                assert row["share of all cases"] == percent(one["share"])
                assert row["density on other cases"] == f"{low:.2f} to {high:.2f}"
                break
        else:
            raise AssertionError(row)
    events = {"unsafe", "release too short", "release too long"}
    assert {r["event"] for r in told} == events


def test_shapley():
    ds = find_shapley(question(), Shapley(base_size=64, **ALONG))
    table = one_table("shapley", ds)
    assert "N = 64" in table.title
    told = rows(table)
    assert heads(table)[2:5] == ["t_low 0.3", "t_low 0.5", "t_low 0.8"]
    margins = ["margin_flow_ratio", "margin_exhaled_fraction"]
    assert [(r["population"], r["outcome"]) for r in told] == [
        (g.name, m) for g in GROUPS for m in margins
    ]
    for row in told:
        one = ds.sel(population=row["population"], outcome=row["outcome"], dependence="correlated")
        for place in (0.3, 0.5, 0.8):
            assert row[f"t_low {place:g}"] == leaders(one.sel(t_low=place), "effect")
        said = str(ds["change"].sel(population=row["population"]).values)
        first = row["outcome"] == margins[0]
        assert row["what the correlations change most"] == (said if first else "")


def test_screening():
    ds = find_screening(question(), Screening(trajectories=8, resamples=100, **ALONG))
    table = one_table("screening", ds)
    assert "(8 trajectories)" in table.title
    told = rows(table)
    expected = []
    for group in ("normal", "obstructive"):
        for parameter in ds["parameter"].values:
            one = ds.sel(population=group, parameter=parameter)
            if np.isfinite(one["evidence"]):
                verdict = "can be fixed" if float(one["evidence"]) < 0.05 else "keep"
                expected.append((group, str(parameter), f"{float(one['evidence']):.3f}", verdict))
    assert [tuple(r.values()) for r in told] == expected
    assert {"keep"} <= {row[-1] for row in expected}


def test_kinds_without_a_table_print_none():
    assert list(summary("sweep", xr.Dataset())) == []
    assert list(summary("window", xr.Dataset())) == []


# costs and how far a run has come


STUDIES = Path(__file__).parents[2] / "studies"


def test_costs():
    costs = [
        Cost("window", 1200, 0.0, 0.3e9, 60.0),
        Cost("cases", 128_000, 23.4e9, 1.5e9, 300.0, 7),
    ]
    table = cost_table(costs, 3)
    assert table.title.startswith("expected costs, 3 workers")
    assert [tuple(r.values()) for r in rows(table)] == [
        ("window", "1,200", "0.00 GB", "0.30 GB", "60.0 s"),
        ("cases, 7 blocks to do", "128,000", "23.40 GB", "1.50 GB", "5.0 min"),
        # cases, disk and time add up; memory is that of the largest
        ("the whole", "129,200", "23.40 GB", "1.50 GB", "6.0 min"),
    ]
    assert len(rows(cost_table(costs[:1], 1))) == 1


def test_the_end_of_a_run_says_where_pictures_are_and_the_caution():
    told = _closing(3, Path("out/figures"))
    assert told == f"3 analyses done; pictures and their texts are in out/figures. {CAUTION}"
    assert _closing(1, Path("out")).startswith("1 analysis done")


def test_how_far_a_run_has_come():
    status = Status(
        (
            PartStatus("one", 10, 4, 8000, 20_000, 20.0),
            PartStatus("two", 3, 3, 600, 0, 2.0),
            PartStatus("three", 5, 0, 0, 0, 0.0),
            PartStatus("four", 5, 1, 70, 0, 0.0),
        ),
        True,
        2,
        "then",
    )
    table = status_table(status)
    assert table.title == "started then, running"
    assert heads(table) == [
        "part",
        "done",
        "left",
        "cases",
        "cases left",
        "rate of one worker",
        "time left, 2 workers",
    ]
    assert [tuple(r.values()) for r in rows(table)] == [
        # 6 pieces of 5 s each over 2 workers
        ("one", "4", "6", "8,000", "12,000", "400 per s", "15.0 s"),
        ("two", "3", "0", "600", "", "300 per s", ""),
        ("three", "0", "5", "", "", "", ""),
        # kept from a run that did not tell its time: no rate can be told
        ("four", "1", "4", "70", "", "", "0.0 s"),
    ]
    status = Status(status.parts, False, 0, "then")
    assert status_table(status).title == "started then, not running"
    # nobody at work: as one worker would do it
    assert rows(status_table(status))[0]["time left, 0 workers"] == "30.0 s"


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (5.0, "5.0 s"),
        (119.0, "119.0 s"),
        (120.0, "2.0 min"),
        (7199.0, "120.0 min"),
        (7200.0, "2.0 h"),
        (172_800.0, "2.0 days"),
        (8_640_000.0, "100.0 days"),
    ],
)
def test_times_are_told_in_the_unit_that_suits_them(seconds, said):
    assert time_text(seconds) == said


def test_a_folder_without_a_run_is_refused(tmp_path):
    with pytest.raises(ValueError, match="must hold a run"):
        run_status(tmp_path)


def test_tables_are_wide_enough_for_a_pipe(solved, capsys):
    print_out(case_table(solved))
    lines = capsys.readouterr().out.splitlines()
    assert any("alveolar pressure at end of release" in line for line in lines)


def test_where_nothing_could_be_judged_is_told_from_its_lower_to_its_upper_end():
    case = {"p_high": 18.0, "p_low": 0.0, "t_high": 5.0, "compliance": 40.0}
    found = search_windows("linear", case, USUAL).drop_vars(["unknown_lower", "unknown_upper"])
    for side, ends in (("lower", (0.3, 0.9, np.nan)), ("upper", (0.5, 1.25, np.nan))):
        found[f"unknown_{side}"] = (("sample", "unknown_piece"), [ends])
    told = [
        r["T low"] for r in rows(lung_table(found, USUAL)) if r["what"] == "could not be judged"
    ]
    assert told == ["0.300 to 0.500 s", "0.900 to 1.250 s"]


def test_a_bar_stands_while_its_task_is_at_work():
    with progress_bar() as bar:
        add = bar.start("one", 10)
        bar.start("other", 0)
        add(3)
        add(4)
        one, other = bar._bar.tasks
        assert (one.description, one.completed, one.total) == ("one", 7, 10)
        # of a task whose cases are not known beforehand no end is drawn
        assert (other.description, other.total) == ("other", None)
        bar.finish("one")
        # a task with several results ends once
        bar.finish("one")
        bar.finish("never begun")
        assert [task.description for task in bar._bar.tasks] == ["other"]
