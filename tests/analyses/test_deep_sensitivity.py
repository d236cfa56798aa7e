"""Labelled analyses along an axis: drivers, screening, Shapley effects, mapping, boxes."""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
import xarray as xr

from ebbmap.analyses.boxes import LEAST_EVENTS, Boxes, find_boxes
from ebbmap.analyses.common import pawn, places, sobol_work
from ebbmap.analyses.common.factors import solve_places
from ebbmap.analyses.mapping import FactorMapping, find_mapping
from ebbmap.analyses.screening import Screening, find_screening
from ebbmap.analyses.shapley import Shapley, find_shapley
from ebbmap.analyses.sobol import Sobol, find_sobol
from ebbmap.cases.question import Question
from ebbmap.errors import EbbmapError, NonFiniteOutcomeError
from ebbmap.registries.limits import limit_set
from ebbmap.registries.populations import POPULATIONS, Marginal

GRID = np.array([0.3, 0.6, 1.2])
FIXED = {"p_high": 24.0, "p_low": 5.0, "t_high": 5.0}
RULES = {name: limit_set(name) for name in ("flow_ratio", "exhaled_fraction")}
ASKED = {"along": "t_low", "at": GRID.tolist(), "outcomes": ("auto_peep",)}


def question(*populations, **changes):
    groups = tuple(POPULATIONS[name] for name in populations or ("obstructive",))
    return Question(
        **(
            {"lung": "linear", "fixed": FIXED, "rules": RULES, "populations": groups, "lungs": 400}
            | changes
        )
    )


@pytest.fixture(scope="module")
def mapped():
    return find_mapping(
        question("normal", "obstructive"), FactorMapping(along="t_low"), axes={"t_low": GRID}
    )


@pytest.fixture(scope="module")
def boxed():
    return find_boxes(
        question("obstructive"), Boxes(resamples=10), axes={"t_low": np.array([0.15, 1.8])}
    )


def survives_a_file(result, tmp_path):
    result.to_netcdf(tmp_path / "result.nc", engine="h5netcdf")
    with xr.open_dataset(tmp_path / "result.nc", engine="h5netcdf") as found:
        xr.testing.assert_equal(found.load(), result)
        assert set(found.attrs) == set(result.attrs)


# drivers: run until sure


def test_it_stops_as_soon_as_every_interval_is_narrow_enough():
    found = find_sobol(
        question(),
        Sobol(
            base_size=64,
            stopping_width=0.3,
            max_base_size=4096,
            pawn=False,
            stopping_outcomes=["auto_peep"],
            **ASKED,
        ),
    ).sel(population="obstructive")
    widest = found["widest_by_size"].dropna("size")
    assert found["verdict"].item() == sobol_work.SETTLED
    assert (widest[:-1] > 0.3).all()
    assert float(widest[-1]) <= 0.3
    assert int(found["rows"]) == int(widest["size"][-1])
    chosen = found.sel(outcome="auto_peep")
    for name in ("first", "total", "second"):
        bounds = chosen[f"{name}_interval"]
        width = bounds.sel(ci_bound="upper") - bounds.sel(ci_bound="lower")
        assert float(width.max()) <= float(widest[-1]) + 1e-12


def test_it_gives_up_when_the_budget_is_spent():
    found = find_sobol(
        question(),
        Sobol(base_size=32, stopping_width=1e-4, max_base_size=128, pawn=False, **ASKED),
    )
    assert found["verdict"].values.tolist() == [sobol_work.SPENT]
    assert found["size"].values.tolist() == [32, 64, 128]
    assert found["rows"].values.tolist() == [128]


def test_only_new_rows_are_solved_and_the_answer_is_that_of_the_large_design(monkeypatch):
    solved = []

    def watched(question, values, **options):
        solved.append(next(iter(values.values())).size)
        return solve_places(question, values, **options)

    monkeypatch.setattr(places, "solve_places", watched)
    grown = find_sobol(
        question(),
        Sobol(base_size=32, stopping_width=1e-4, max_base_size=128, pawn=False, **ASKED),
    )
    # compliance and two resistances: auto-PEEP and the rules depend on nothing else
    block = 2 * 3 + 2
    # every place on its own, all of them before the next size
    assert solved == [rows * block for rows in (32, 32, 64) for _ in GRID]
    at_once = find_sobol(question(), Sobol(base_size=128, pawn=False, **ASKED))
    for name in ("first", "total", "second", "total_interval"):
        xr.testing.assert_allclose(grown[name], at_once[name], atol=1e-12)
    # the curve without a stopping width comes from the first rows of the one design
    for size in (32, 64):
        one = find_sobol(question(), Sobol(base_size=size, pawn=False, **ASKED))["total"]
        np.testing.assert_allclose(at_once["total_by_size"].sel(size=size), one, atol=1e-12)
    assert at_once["verdict"].item() == sobol_work.NOT_ASKED


def test_settings_against_lung_properties():
    samples = {"p_high": Marginal("uniform", 20.0, 30.0, "invented")}
    fixed = {"p_low": 5.0, "t_high": 5.0}
    one = question(fixed=fixed, samples=samples)
    asked = ASKED | {"outcomes": ("auto_peep", "release_volume_per_kg")}
    found = find_sobol(one, Sobol(base_size=256, groups="kind", **asked))
    assert found["parameter"].values.tolist() == [
        "lung properties",
        "the patient's size",
        "settings",
    ]
    assert "pawn" not in found
    # auto-PEEP does not know the patient's size
    size = found["total"].sel(outcome="auto_peep", parameter="the patient's size")
    np.testing.assert_allclose(size, 0.0, atol=1e-12)
    for find, options in ((find_screening, Screening), (find_shapley, Shapley)):
        grouped = find(one, options(**asked, groups="kind"))
        assert grouped["parameter"].values.tolist() == found["parameter"].values.tolist()


def test_pawn_stands_beside_the_indices(tmp_path):
    found = find_sobol(question(), Sobol(base_size=512, **ASKED))
    assert found["pawn"].dims == ("population", "t_low", "pawn_outcome", "parameter")
    assert found["pawn_outcome"].values.tolist() == [
        "auto_peep",
        "margin_flow_ratio",
        "margin_exhaled_fraction",
    ]
    noise = float(found["pawn_noise"][0])
    of = found["pawn"].sel(pawn_outcome="auto_peep", population="obstructive")
    assert (of.sel(parameter=["compliance", "resistance_exp"]) > noise).all()
    assert "rank" in found["disagreement"].item() or "disagree" in found["disagreement"].item()
    survives_a_file(found, tmp_path)


# failures


def failing():
    """P high and P low drawn from ranges that overlap: P high must be above P low."""
    samples = {
        "p_high": Marginal("uniform", 20.0, 30.0, "invented"),
        "p_low": Marginal("uniform", 0.0, 22.0, "invented"),
    }
    fixed = {"t_high": 5.0, "compliance": 50.0, "resistance_insp": 12.0, "resistance_exp": 14.0}
    return Question(lung="linear", fixed=fixed, samples=samples, rules=RULES)


def test_failures_are_refused_and_located():
    with pytest.raises(NonFiniteOutcomeError) as caught:
        find_sobol(failing(), Sobol(base_size=256, **ASKED))
    text = str(caught.value)
    assert "auto_peep has" in text
    assert "they gather in a region: " in text
    assert "P low above" in text
    assert "drop_failed = true" in text


def test_dropped_blocks_are_counted_and_their_cost_is_said():
    found = find_sobol(failing(), Sobol(base_size=256, drop_failed=True, **ASKED))
    assert found.attrs["failures"].startswith(f"{int(found['failed'].sum()):,} of ")
    assert int(found["dropped"].max()) > 0
    assert "base rows were left out" in found.attrs["failures"]
    assert "not all" in found.attrs["failures"]
    assert np.isfinite(found["total"].sel(outcome="auto_peep")).all()
    # one case in 110 fails: 256 paths of three cases meet seven
    for find, options in (
        (find_shapley, Shapley),
        (find_screening, partial(Screening, trajectories=256)),
    ):
        with pytest.raises(NonFiniteOutcomeError):
            find(failing(), options(**ASKED))
        assert int(find(failing(), options(**ASKED, drop_failed=True))["failed"].sum()) > 0


# screening


def test_screening_fixes_what_does_nothing(tmp_path):
    idle = {"fio2": Marginal("uniform", 0.3, 0.6, "invented")}
    found = find_screening(question(samples=idle), Screening(**ASKED))
    one = found.sel(population="obstructive")
    assert int(one["fixable"].sel(parameter="fio2")) == 1
    assert int(one["fixable"].sel(parameter="resistance_exp")) == 0
    assert float(one["evidence"].sel(parameter="fio2")) == 0.0
    largest = one["relative"].sel(outcome="auto_peep").max("parameter")
    np.testing.assert_allclose(largest, 1.0)
    assert found["verdict"].attrs["flag_meanings"] == "can_be_fixed cannot_tell matters"
    survives_a_file(found, tmp_path)


# Shapley effects


def test_shapley_effects_add_up_and_correlations_change_them(tmp_path):
    asked = question("normal", "obstructive")
    normal, group = asked.populations
    close = {("resistance_insp", "resistance_exp"): 0.9}
    # as folded, and no further
    group = replace(group, correlations=close, unfolded=None)
    asked = replace(asked, populations=(normal, group))
    found = find_shapley(asked, Shapley(base_size=256, **ASKED))
    total = found["effect"].sum("parameter")
    varies = found["effect"].notnull().all("parameter")
    np.testing.assert_allclose(total.where(varies, 1.0), 1.0, atol=1e-12)
    # the release of a linear lung hardly feels the inspiratory resistance, which goes with the
    # expiratory one: it gets a share where that is known, and none where it is not
    share = found["effect"].sel(
        parameter="resistance_insp", outcome="margin_flow_ratio", population="obstructive"
    )
    assert (share.sel(dependence="correlated") > 0.1).all()
    assert (share.sel(dependence="independent") < 0.06).all()
    assert "with the correlations" in found["change"].values[1]
    survives_a_file(found, tmp_path)


# mapping


def test_mapping_has_a_side_for_every_limit(mapped, tmp_path):
    assert mapped["distance"].dims == ("population", "rule", "event", "t_low", "parameter")
    events = mapped["event"].values.tolist()
    assert events[:3] == ["unsafe", "too_low", "too_high"]
    trend = mapped["trend"].sel(rule="flow_ratio")
    cases = mapped["cases"].sel(rule="flow_ratio")
    for event, side in (("flow_ratio_high", 1.0), ("flow_ratio_low", -1.0)):
        own = trend.sel(event=event)
        assert (own.where(cases.sel(event=event) > 0, side) == side).all()
        assert own.notnull().any()
    one = mapped.sel(rule="flow_ratio")
    # a limit that this rule does not know
    assert one["distance"].sel(event="exhaled_fraction_low").isnull().all()
    np.testing.assert_allclose(
        one["share"].sel(event="too_low"), one["share"].sel(event="flow_ratio_high")
    )
    survives_a_file(mapped, tmp_path)


def test_the_time_constant_is_to_blame(mapped):
    """A lung too slow for the flow-ratio rule has R_exp x C above T low / ln(4/3), exactly.

    The rule holds while exp(-T low / (R_exp C)) <= 0.75.
    """
    one = mapped.sel(rule="flow_ratio", population="obstructive", event="too_low", t_low=0.6)
    assert one["distance"].idxmax("parameter").item() == "resistance_exp"
    assert (one["direction"] == 1.0).all()
    low, high = one["distance_interval"].sel(parameter="resistance_exp").values
    assert low <= float(one["distance"].sel(parameter="resistance_exp")) <= high
    quantiles = one["quantiles"].sel(parameter="resistance_exp", quantile=0.5)
    assert float(quantiles.sel(side="with")) > float(quantiles.sel(side="without"))
    # the share itself, from the population's own draws
    from ebbmap.cases.question import draw_cases

    asked = question("normal", "obstructive")
    lungs = draw_cases(asked, asked.populations[1], {"t_low": GRID})
    tau = lungs["resistance_exp"].values * lungs["compliance"].values / 1000.0
    exact = np.exp(-0.6 / tau) > 0.75
    assert float(one["share"]) == pytest.approx(exact.mean(), abs=1e-12)


def test_what_cannot_be_solved_counts_on_no_side():
    asked = failing()
    found = find_mapping(
        replace(asked, lungs=500),
        FactorMapping(along="t_low"),
        axes={"t_low": np.array([0.5])},
    )
    assert float(found["undetermined"].max()) > 0.0
    assert int(found["failed"].sum()) > 0


# boxes


def test_a_box_is_said_in_words_and_holds_what_it_says(boxed, tmp_path):
    one = boxed.sel(population="obstructive", rule="flow_ratio", event="too_low")
    assert one["sentence"].item().endswith(f"at density {float(one['density']):.2f}")
    assert "T low below" in one["sentence"].item()
    assert np.isinf(one["edge"].sel(parameter="t_low", bound_side="lower"))
    assert float(one["restricted"].sel(parameter="t_low", bound_side="upper")) == 1.0
    assert float(one["density"]) >= 0.9
    low, high = one["density_interval"].values
    assert 0.0 < low < high <= 1.0
    assert boxed["parameter_units"].sel(parameter="t_low").item() == "s"
    survives_a_file(boxed, tmp_path)


def test_too_few_events_give_no_box():
    rule = {"flow_ratio": limit_set("flow_ratio")}
    # no release of 5 s is too short for a normal lung
    found = find_boxes(
        question("normal", rules=rule), Boxes(resamples=10), axes={"t_low": np.array([5.0, 6.0])}
    )
    one = found.sel(population="normal", rule="flow_ratio", event="too_low")
    assert one["sentence"].item() == f"fewer than {LEAST_EVENTS} cases: release too short"
    assert np.isnan(one["coverage"])


def test_nothing_varies():
    with pytest.raises(EbbmapError, match="no property varies"):
        find_mapping(
            Question(lung="linear", rules=RULES), FactorMapping(along="t_low"), axes={"t_low": GRID}
        )
    with pytest.raises(EbbmapError, match="needs two factors or more"):
        find_sobol(Question(lung="linear", rules=RULES), Sobol(**ASKED))


def test_pawn_gets_rows_that_share_no_value(monkeypatch):
    """Rows of a Sobol design between A and B repeat their values; PAWN takes independent rows."""
    from ebbmap.cases.design import draw_sobol_design

    given = []
    real = pawn.pawn_indices

    def record(rows, values, **options):
        given.append((rows, values))
        return real(rows, values, **options)

    monkeypatch.setattr(pawn, "pawn_indices", record)
    design = draw_sobol_design(["compliance", "resistance_exp", "resistance_insp"], 64, seed=0)
    first = design["unit"].isel(parameter=0, drop=True)
    outputs = xr.Dataset({"auto_peep": first.expand_dims(t_low=[0.5])})
    pawn.estimate_pawn(design, outputs, "t_low", level=0.95, seed=0)
    ((rows, values),) = given
    assert rows.shape == (2 * 64, 3)
    for column in rows.T:
        assert np.unique(column).size == len(column)
    np.testing.assert_array_equal(values[:, 0], rows[:, 0])
