"""Every number of the registries against a table that is kept apart from them, both ways."""

import importlib
import json
import numbers
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

from ebbmap.cases.evaluate import evaluate
from ebbmap.lungs import lung_model
from ebbmap.registries.derivations import DERIVATIONS
from ebbmap.registries.fitted.bases import REST
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.teaching import build_page
from ebbmap.units import DISPLAY

TABLE = tomllib.loads(Path(__file__).with_name("registry_values.toml").read_text(encoding="utf-8"))

#: Nine digits stand in the table.
DIGITS = 1e-8


def same(told, written):
    """Tell whether two entries agree: numbers to the digits of the table, the rest exactly."""
    if isinstance(written, (list, tuple)):
        return len(told) == len(written) and all(map(same, told, written))
    if isinstance(written, numbers.Real) and isinstance(told, numbers.Real):
        return told == written or abs(told - written) <= DIGITS * abs(written)
    return told == written


def differences(registry, table):
    """Name what is in one alone, and what differs."""
    return [
        f"{name}: registry {registry.get(name)}, table {table.get(name)}"
        for name in sorted({*registry, *table})
        if name not in registry or name not in table or not same(registry[name], table[name])
    ]


def test_parameters():
    registry = {
        p.name: [p.units, p.low, p.high, p.usual_low, p.usual_high, p.default, p.kind]
        for p in PARAMETERS.values()
    }
    assert differences(registry, {n: row[:-1] for n, row in TABLE["parameters"].items()}) == []
    others = {p.name: list(p.other_unit) for p in PARAMETERS.values() if p.other_unit}
    assert differences(others, TABLE["other_units"]) == []
    choices = {p.name: p.choices for p in PARAMETERS.values() if p.choices}
    # the codes 0 and 1 of the weight formula
    assert choices == {"sex": ("female", "male")}


#: What the source of an entry must say to have its grade.
GRADES = {
    "paper": r"et al\.|\d{4};",
    "paper, from memory": r"(et al\.|\d{4};).*memory",
    "textbook": r"[Tt]extbook|memory|question book",
    "guidance page": r"NIH ARDS Network",
    "common practice": r"^common practice, no source",
    "assumption": r"assumption|our choice",
}


@pytest.mark.parametrize("name", TABLE["parameters"])
def test_the_source_of_a_parameter_is_of_the_grade_that_is_written(name):
    grade = TABLE["parameters"][name][-1]
    source = PARAMETERS[name].source
    assert re.search(GRADES[grade], source), (grade, source)
    if grade == "paper":
        assert not source.startswith(("assumption", "common practice"))


def test_outcomes():
    registry = {o.name: [o.units, o.long_name] for o in OUTCOMES.values()}
    assert differences(registry, TABLE["outcomes"]) == []


def test_bounds_of_outcomes():
    registry = {o.name: [*o.bounds, *(o.usual or ())] for o in OUTCOMES.values()}
    assert differences(registry, TABLE["outcome_bounds"]) == []


def test_units():
    assert differences(dict(DISPLAY), TABLE["units"]) == []


def test_bundled_limits():
    assert sorted(LIMIT_SETS) == sorted(TABLE["limits"])
    for name, limits in LIMIT_SETS.items():
        bounds = [bound for limit in limits.limits for bound in limit.bounds]
        table = TABLE["limits"][name]
        registry = {f"{b.outcome}_{b.side} {b.severity}": [b.value, b.width] for b in bounds}
        assert len(registry) == len(bounds)
        assert differences(registry, {key: row[:2] for key, row in table.items()}) == []
        for bound in bounds:
            assert table[f"{bound.outcome}_{bound.side} {bound.severity}"][2] in bound.why
        # what judges is what is written
        for severity, kept in (("hard", limits.hard), ("caution", limits.caution)):
            assert list(kept) == [b for b in bounds if b.severity == severity]


@pytest.mark.parametrize("name", TABLE["populations"])
def test_populations(name):
    # lognormals of a population are cut off at the bounds of their parameter
    registry = {
        key: [m.family, m.centre, m.spread, m.low, m.high, m.confirmed]
        for key, m in REST[name].items()
    }
    assert differences(registry, TABLE["populations"][name]) == []
    for key, m in REST[name].items():
        drawn = POPULATIONS[name].marginals[key]
        # six digits of a logarithm are kept
        assert (drawn.centre, drawn.spread) == pytest.approx((m.centre, m.spread), rel=1e-5)
        ends = (PARAMETERS[key].low, PARAMETERS[key].high)
        assert (drawn.low, drawn.high) == (ends if m.family == "lognormal" else (m.low, m.high))
        assert (drawn.source, drawn.confirmed) == (m.source, m.confirmed)


@pytest.mark.parametrize("name", TABLE["populations"])
def test_fitted_properties(name):
    table = TABLE["fitted"] | (TABLE["fitted_where_limited"] if name == "obstructive" else {})
    group = POPULATIONS[name]
    fitted = {
        key: [m.family, m.low, m.high]
        for key, m in group.marginals.items()
        if key not in REST[name]
    }
    assert differences(fitted, table) == []
    # the fit itself is held against what was published in tests/external
    assert {m.confirmed for key, m in group.marginals.items() if key in fitted} == {"derived"}


def test_every_population_stands_in_the_table():
    assert sorted(POPULATIONS) == sorted(TABLE["populations"])


def constants_of(name):
    """Numbers in capitals that a module itself sets."""
    module = importlib.import_module(f"ebbmap.{name}")
    text = Path(module.__file__).read_text(encoding="utf-8")
    own = {}
    for key in vars(module):
        if re.search(rf"^(?:[A-Z0-9_]+, )*{key}(?:, [A-Z0-9_]+)* = ", text, re.MULTILINE):
            value = getattr(module, key)
            values = list(value) if isinstance(value, tuple) else [value]
            if (
                key[0].isupper()
                and key.isupper()
                and all(isinstance(v, numbers.Real) for v in values)
            ):
                own[key] = values
    return own


@pytest.mark.parametrize("name", TABLE["constants"])
def test_constants(name):
    assert differences(constants_of(name), TABLE["constants"][name]) == []


def test_no_exchange_module_has_constants_outside_the_table():
    folder = Path(importlib.import_module("ebbmap.exchange").__file__).parent
    named = {f"exchange.{p.stem}" for p in folder.glob("*.py") if p.stem != "__init__"}
    assert {name for name in named if constants_of(name)} <= set(TABLE["constants"])


def test_the_table_would_notice():
    registry = {"a": ["s", 1.0], "b": ["s", 2.0]}
    assert differences(registry, {"a": ["s", 1.0], "b": ["s", 2.0]}) == []
    for changed in (
        {"a": ["s", 1.0]},
        {**registry, "c": ["s", 1.0]},
        {**registry, "b": ["s", 2.0001]},
        {**registry, "b": ["cm", 2.0]},
    ):
        assert len(differences(registry, changed)) == 1


# outcomes whose definition is one line: worked out again from what they take

SHARE = 0.3
CASE = {
    "p_high": 26.0,
    "p_low": 3.0,
    "t_high": 4.5,
    "t_low": 0.55,
    "compliance": 44.0,
    "resistance_insp": 11.0,
    "resistance_exp": 17.0,
    "chest_wall_share": SHARE,
    "predicted_body_weight": 61.0,
    "functional_residual_capacity": 1300.0,
}


@pytest.fixture(scope="module")
def solved():
    case = {name: np.array([value]) for name, value in CASE.items()}
    found = evaluate(lung_model("linear"), case).outcomes
    return {name: float(np.broadcast_to(value, (1,))[0]) for name, value in found.items()}


DEFINED = {
    "release_volume_per_kg": lambda o: o["release_volume"] / 61.0,
    "auto_peep": lambda o: o["end_release_pressure"] - 3.0,
    "flow_ratio": lambda o: o["end_release_flow"] / o["peak_expiratory_flow"],
    "mean_airway_pressure": lambda o: (26.0 * 4.5 + 3.0 * 0.55) / 5.05,
    "release_rate": lambda o: 60.0 / 5.05,
    "release_minute_volume": lambda o: o["release_volume"] * 60.0 / 5.05 / 1000.0,
    "time_constant_exp": lambda o: 17.0 * 44.0 / 1000.0,
    "release_in_time_constants": lambda o: 0.55 / (17.0 * 44.0 / 1000.0),
    "end_high_transpulmonary_pressure": lambda o: o["end_high_pressure"] * (1.0 - SHARE),
    "mean_pleural_pressure": lambda o: o["mean_alveolar_pressure"] * SHARE,
    "dynamic_strain": lambda o: o["release_volume"] / 1300.0,
    "mechanical_power_above_p_low": lambda o: (
        23.0 * o["release_volume"] * o["release_rate"] * 98.0665e-6
    ),
    "resistive_power": lambda o: o["mechanical_power"] - o["elastic_power"],
}


@pytest.mark.parametrize("name", DEFINED)
def test_an_outcome_is_what_its_definition_says(name, solved):
    # the same few products and quotients
    assert solved[name] == pytest.approx(DEFINED[name](solved), rel=1e-12)


@pytest.mark.parametrize("lung", ["linear", "tube", "paired"])
def test_chest_wall_and_lung_share_the_pressure(lung):
    """Against the stepped lung, which solves for both parts itself, with everything else off."""
    shared = {name: np.array([v]) for name, v in CASE.items()}
    wanted = ("mean_pleural_pressure", "end_high_transpulmonary_pressure")
    own = evaluate(
        lung_model(lung),
        {
            **shared,
            **(
                {"slow_volume_share": np.array([0.2]), "time_constant_slow": np.array([0.8])}
                if lung == "paired"
                else {}
            ),
        },
        (*wanted, "mean_alveolar_pressure", "end_high_pressure"),
    ).outcomes
    assert own["mean_pleural_pressure"] / own["mean_alveolar_pressure"] == pytest.approx(SHARE)
    rest = own["end_high_transpulmonary_pressure"] / own["end_high_pressure"]
    assert rest == pytest.approx(1 - SHARE)
    if lung == "linear":
        stepped = evaluate(lung_model("stepped"), shared, wanted).outcomes
        for name in wanted:
            # the error that the stepped lung states
            assert float(stepped[name][0]) == pytest.approx(float(own[name][0]), rel=1e-6)


# parameters that are given through others

GIVEN = {
    "height": 172.0,
    "sex": 1.0,
    "t_low_in_time_constants": 0.6,
    "resistance_exp": 17.0,
    "compliance": 44.0,
    "co2_production_per_kg": 3.1,
    "predicted_body_weight": 61.0,
    "functional_residual_capacity_per_kg": 25.0,
    "resistance_shared": 7.0,
    "slow_volume_share": 0.2,
    "time_constant_slow": 4.1,
    "resistance_insp": 12.0,
    "closing_time_constant": 2.4,
    "opening_speed": 8.0,
    "plateau_peep": 9.0,
    "plateau_volume_per_kg": 6.5,
    "p_high_at_most": 31.0,
    "t_high_in_time_constants": 5.5,
    "release_frequency": 12.5,
    "release_share": 0.12,
    "p_low_share": 0.15,
    "p_high": 22.0,
    "t_low": 0.45,
}

DERIVED = {
    ("opening_time_constant", "opening_speed"): 0.3,
    ("p_high", "plateau_peep"): 9.0 + 6.5 * 61.0 / 44.0,
    ("t_high", "t_high_in_time_constants"): 5.5 * 12.0 * 44.0 / 1000.0,
    ("t_high", "release_frequency"): 60.0 / 12.5 - 0.45,
    ("t_high", "release_share"): 0.45 * (1.0 - 0.12) / 0.12,
    ("p_low", "p_low_share"): 3.3,
    ("predicted_body_weight", "height"): 50.0 + 0.91 * (172.0 - 152.4),
    ("t_low", "t_low_in_time_constants"): 0.6 * 17.0 * 44.0 / 1000.0,
    ("co2_production", "co2_production_per_kg"): 3.1 * 61.0,
    ("functional_residual_capacity", "functional_residual_capacity_per_kg"): 25.0 * 61.0,
    ("resistance_shared_insp", "resistance_shared"): 7.0,
    ("resistance_shared_exp", "resistance_shared"): 7.0,
    ("compliance_fast", "slow_volume_share"): 44.0 * 0.8,
    ("compliance_slow", "slow_volume_share"): 44.0 * 0.2,
    ("resistance_fast", "slow_volume_share"): 17.0 / 3.0,
    ("resistance_slow", "slow_volume_share"): 4.1 / (44.0 * 0.2) * 1000.0,
    ("resistance_shared_insp", "slow_volume_share"): 12.0 * 2.0 / 3.0,
    ("resistance_shared_exp", "slow_volume_share"): 17.0 * 2.0 / 3.0,
}


def test_what_is_derived_from_what_and_how():
    assert {(d.target, d.trigger) for d in DERIVATIONS} == set(DERIVED)
    for way in DERIVATIONS:
        value = float(way.function(**{name: GIVEN[name] for name in way.inputs}))
        assert value == pytest.approx(DERIVED[way.target, way.trigger], rel=1e-12), way


def test_sliders_of_the_page_run_over_the_table():
    data = json.loads(build_page("linear").html.split('id="data">')[1].split("</script>")[0])
    found = {n: [one["low"], one["high"], one["step"]] for n, one in data["sliders"].items()}
    assert found == TABLE["sliders"]
    # every lung that the page names lies on its sliders
    for name, preset in data["presets"].items():
        for axis in ("resistance_exp", "compliance"):
            assert found[axis][0] <= preset["values"][axis] <= found[axis][1], name
