import dataclasses
import json

import pytest

from ebbmap.cases.evaluate import STATUS
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError
from ebbmap.lungs import LUNGS, lung_model
from ebbmap.registries.derivations import DERIVATIONS
from ebbmap.registries.limits import LIMIT_SETS, limit_set
from ebbmap.registries.outcomes import OUTCOMES, outcome, outcomes_of, plan
from ebbmap.registries.parameters import PARAMETERS, parameter
from ebbmap.registries.populations import POPULATIONS, population
from ebbmap.registries.steady import BALANCES
from ebbmap.units import DISPLAY, UNITS, conversion, display

ENTRIES = [*PARAMETERS.values(), *OUTCOMES.values()]
every_entry = pytest.mark.parametrize("entry", ENTRIES, ids=lambda entry: entry.name)


@every_entry
def test_units_are_in_the_vocabulary(entry):
    assert entry.units in UNITS


@every_entry
def test_names_and_sources_are_given(entry):
    assert entry.name.isidentifier()
    assert entry.long_name.strip()
    assert len(entry.source.strip()) > 5


@every_entry
def test_an_axis_says_the_name_and_then_the_unit(entry):
    shown = DISPLAY[entry.units]
    assert entry.label == (f"{entry.long_name} [{shown}]" if shown else entry.long_name)


@every_entry
def test_entries_survive_json(entry):
    plain = dataclasses.asdict(entry)
    plain.pop("compute", None)
    back = json.loads(json.dumps(plain))
    for key in ("choices", "other_unit", "bounds", "usual"):
        if isinstance(back.get(key), list):
            back[key] = tuple(back[key])
    compute = {"compute": entry.compute} if entry.name in OUTCOMES else {}
    assert type(entry)(**back, **compute) == entry


@pytest.mark.parametrize("entry", PARAMETERS.values(), ids=lambda entry: entry.name)
def test_bounds_are_in_order(entry):
    assert entry.low < entry.high
    if entry.choices:
        assert (entry.low, entry.high) == (0, len(entry.choices) - 1)
    else:
        # what is off, or wholly on, stands at an end
        switched = entry.low == entry.default == 0 or entry.high == entry.default == 1
        assert entry.low < entry.default < entry.high or switched
        assert entry.low <= entry.usual_low < entry.usual_high <= entry.high


def test_the_registries_share_no_name():
    assert not set(PARAMETERS) & set(OUTCOMES)
    assert len(ENTRIES) == len({entry.name for entry in ENTRIES})


def test_every_outcome_can_be_had_from_some_lung():
    reached = {name for lung in LUNGS.values() for name in outcomes_of(lung)}
    assert reached == set(OUTCOMES)


@pytest.mark.parametrize("lung", LUNGS.values(), ids=lambda lung: lung.name)
def test_a_lung_names_registry_entries(lung):
    assert set(lung.parameters) <= set(PARAMETERS)
    assert set(lung.solves) <= set(OUTCOMES)
    assert lung.source


@pytest.mark.parametrize("way", DERIVATIONS, ids=lambda way: f"{way.target}-{way.trigger}")
def test_derivations_take_registry_names(way):
    assert {way.target, way.trigger, *way.inputs} <= set(PARAMETERS)
    assert way.target not in way.inputs


@pytest.mark.parametrize("lung", LUNGS)
def test_every_variable_of_a_result_has_units_and_long_name(lung):
    solved = simulate(lung, t_low=[0.3, 0.5], sex="male", height=175.0)
    for name, variable in solved.drop_vars("status").variables.items():
        entry = OUTCOMES.get(name) or PARAMETERS[name]
        assert variable.attrs["units"] == entry.units
        assert variable.attrs["long_name"] == entry.long_name
    assert solved["status"].attrs["flag_meanings"] == " ".join(STATUS)


@pytest.mark.parametrize("limits", LIMIT_SETS.values(), ids=lambda one: one.name)
def test_each_limit_has_a_source_and_a_sentence(limits):
    assert limits.limits
    for bound in (*limits.hard, *limits.caution):
        assert len(bound.why) > 5
        said = BALANCES.get(bound.outcome, OUTCOMES[bound.outcome].long_name)
        assert said in bound.sentence


@pytest.mark.parametrize("group", POPULATIONS.values(), ids=lambda group: group.name)
def test_each_marginal_of_a_population_has_a_source(group):
    for name, marginal in group.marginals.items():
        assert len(marginal.source) > 5, name
        assert PARAMETERS[name].kind != "setting"


@pytest.mark.parametrize(
    ("look_up", "wrong", "right"),
    [
        (parameter, "t_lo", "t_low"),
        (outcome, "autopeep", "auto_peep"),
        (lung_model, "liner", "linear"),
        (limit_set, "flow_rato", "flow_ratio"),
        (population, "restrictve", "restrictive"),
    ],
)
def test_an_unknown_name_is_told_with_the_nearest_one(look_up, wrong, right):
    with pytest.raises(EbbmapError, match=f"'{wrong}'; did you mean '{right}'"):
        look_up(wrong)


def test_a_plan_names_what_the_lung_lacks():
    lung = dataclasses.replace(LUNGS["linear"], solves=("release_volume",))
    with pytest.raises(EbbmapError, match="trapped_volume is not an outcome of the lung 'linear'"):
        plan(lung, ["trapped_volume"])


@pytest.mark.parametrize(
    "change",
    [{"units": "furlong"}, {"source": ""}, {"bounds": (9.0, 60.0)}, {"default": 99.0}],
    ids=str,
)
def test_a_contradictory_parameter_is_refused(change):
    with pytest.raises(EbbmapError, match="'t_low' is inconsistent"):
        dataclasses.replace(PARAMETERS["t_low"], **change)


@pytest.mark.parametrize("change", [{"units": "furlong"}, {"source": ""}, {"name": "t_low"}])
def test_a_contradictory_outcome_is_refused(change):
    with pytest.raises(EbbmapError, match="is inconsistent"):
        dataclasses.replace(OUTCOMES["auto_peep"], **change)


@pytest.mark.parametrize("units", sorted(UNITS))
def test_every_unit_has_a_bedside_spelling(units):
    assert display(units) == DISPLAY[units]


def test_an_unknown_unit_is_refused():
    with pytest.raises(ValueError, match="got 'mbar'"):
        display("mbar")


@pytest.mark.parametrize(
    ("given", "wanted", "factor"),
    [
        # 1 Pa = 1 N m-2 = 1 kg m-1 s-2, 1 J = 1 N m = 1 Pa m3, 1 W = 1 J s-1, 1 L = 1 dm3
        ("Pa", "kg m-1 s-2", 1.0),
        ("kPa L", "J", 1.0),
        ("J", "kg m2 s-2", 1.0),
        ("W", "J s-1", 1.0),
        ("W", "J min-1", 60.0),
        ("dm3", "L", 1.0),
        ("m3", "mL", 1e6),
        ("cm3", "mL", 1.0),
        ("Hz", "min-1", 60.0),
        ("mol m-3", "mmol L-1", 1.0),
        ("kg L-1", "g dL-1", 100.0),
        ("cmH2O L", "J", 0.0980665),
    ],
)
def test_one_quantity_in_two_kinds_of_unit_is_converted(given, wanted, factor):
    top, bottom = conversion(given, wanted)
    # both are exact fractions, rounded once each
    assert top / bottom == pytest.approx(factor, rel=1e-15)
    bottom, top = conversion(wanted, given)
    assert top / bottom == pytest.approx(factor, rel=1e-15)
