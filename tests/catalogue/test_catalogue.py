"""A catalogue is a frozen value: what may be added, what is refused, what it is compared by."""

import dataclasses
import json

import numpy as np
import pytest

import ebbmap
from ebbmap.cases.question import Question, in_catalogue
from ebbmap.catalogue import Catalogue, builtin
from ebbmap.catalogue.fingerprint import fingerprint
from ebbmap.catalogue.marks import entry_of
from ebbmap.errors import EbbmapError
from ebbmap.lungs import LUNGS
from ebbmap.lungs.base import SOLVED
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS, Parameter

WHY = "invented"


@ebbmap.outcome(units="1", source=WHY, comment="how much of the gas was trapped")
def trapped_share(trapped_volume, release_volume):
    return trapped_volume / (trapped_volume + release_volume)


@ebbmap.outcome(units="mL", source=WHY, version="2")
def trapped_twice(trapped_share, release_volume):
    """Twice what was trapped.

    More is not said.
    """
    return 2.0 * trapped_share * release_volume


LIMIT = ebbmap.Limit("trapped_share", why=WHY, high=0.4)
SET = ebbmap.LimitSet("trapping", "trapping", (LIMIT,))
GROUP = ebbmap.Population(
    "mine", "my lungs", "invented", {"compliance": ebbmap.Marginal("normal", 40.0, 5.0, WHY)}
)


def own(function, **words):
    """Mark a function without a decorator, under the name `mine`."""
    function.__name__ = "mine"
    return ebbmap.outcome(**{"units": "1", "source": WHY, **words})(function)


def test_adding_gives_a_new_value_and_leaves_the_old_one():
    before = builtin()
    after = before.add(trapped_share, LIMIT, SET, GROUP, trapped_twice)
    assert before.own == () and "trapped_share" not in OUTCOMES
    with after.active():
        assert OUTCOMES["trapped_share"].compute is trapped_share
        assert OUTCOMES["trapped_twice"].comment == "Twice what was trapped."
        assert LIMIT_SETS["trapping"] is SET
        assert LIMIT_SETS["trapped_share"].limits == (LIMIT,)
        assert [*OUTCOMES][-2:] == ["trapped_share", "trapped_twice"]
    assert "trapped_share" not in OUTCOMES
    with pytest.raises(dataclasses.FrozenInstanceError):
        after.own = ()
    with pytest.raises(TypeError):
        after.entries["outcome"]["x"] = None


def test_it_is_compared_and_hashed_by_content():
    one = builtin().add(trapped_share).add(GROUP)
    other = builtin().add(GROUP, trapped_share)
    assert one == other and hash(one) == hash(other)
    assert one != builtin() and builtin() == Catalogue()
    assert one != builtin().add(GROUP)
    assert one != "something else"

    def mine(trapped_volume):
        return trapped_volume * 2.0

    first = builtin().add(own(mine))

    def mine(trapped_volume):
        return trapped_volume * 3.0

    assert first != builtin().add(own(mine))


FACTOR = 2.0


def helped(trapped_volume):
    return trapped_volume * FACTOR


def test_a_hash_follows_what_a_function_takes_from_its_module(monkeypatch):
    def mine(trapped_volume):
        return helped(trapped_volume)

    before = fingerprint(entry_of(own(mine)))
    monkeypatch.setitem(globals(), "FACTOR", 3.0)
    assert fingerprint(entry_of(own(mine))) != before


def test_a_simulation_takes_own_entries_and_names_them_in_its_result():
    mine = builtin().add(trapped_share, trapped_twice, SET)
    solved = ebbmap.simulate(
        lung="linear", outcomes=["trapped_twice"], limits=SET, t_low=[0.2, 0.6], catalogue=mine
    )
    plain = ebbmap.simulate(
        lung="linear", outcomes=["trapped_volume", "release_volume"], t_low=[0.2, 0.6]
    )
    share = plain.trapped_volume / (plain.trapped_volume + plain.release_volume)
    np.testing.assert_allclose(solved.trapped_twice, 2.0 * share * plain.release_volume)
    assert solved.trapped_share.attrs["references"] == WHY
    assert solved.verdict.values.tolist() == [0 if s <= 0.4 else 2 for s in share.values]
    entries = {one["name"]: one for one in json.loads(solved.attrs["own_entries"])}
    assert entries["trapped_twice"]["version"] == "2"
    assert sorted(entries) == ["trapped_share", "trapped_twice", "trapping"]
    assert all(len(one["source_hash"]) == 12 for one in entries.values())
    assert "own_entries" not in plain.attrs
    with pytest.raises(EbbmapError, match="unknown outcome 'trapped_twice'"):
        ebbmap.simulate(lung="linear", outcomes=["trapped_twice"])


def test_a_question_carries_its_catalogue():
    mine = builtin().add(trapped_share)

    @in_catalogue
    def find(question):
        return ebbmap.simulate(question.lung, outcomes=["trapped_share"])

    with mine.active():
        question = Question(lung="linear")
    assert question.catalogue == mine
    assert find(question).trapped_share.ndim == 0
    assert find(Question(lung="linear", catalogue=mine)).trapped_share.ndim == 0
    assert Question(lung="linear").catalogue is None


@pytest.mark.parametrize(
    ("thing", "text"),
    [
        (OUTCOMES["auto_peep"], "outcome 'auto_peep': there is one of this name"),
        (LUNGS["linear"], "lung 'linear': there is one of this name"),
        (LIMIT_SETS["pressure"], "limit set 'pressure': there is one of this name"),
        (PARAMETERS["t_low"], "parameter 't_low': there is one of this name"),
        (len, "an entry must be a marked function"),
        ("mine", "an entry must be a marked function or one of parameter"),
    ],
)
def test_what_is_taken_or_is_no_entry_is_refused(thing, text):
    with pytest.raises(EbbmapError, match=text):
        builtin().add(thing)


def test_only_replace_takes_the_place_of_an_entry():
    def auto_peep(end_release_pressure):
        return end_release_pressure + 0.0

    other = ebbmap.outcome(units="cmH2O", source=WHY)(auto_peep)
    with pytest.raises(EbbmapError, match="say replace=True"):
        builtin().add(other)
    mine = builtin().add(other, replace=True)
    assert [*mine.entries["outcome"]] == [*OUTCOMES]
    cases = {"t_low": [0.2, 0.6], "p_low": 5.0}
    theirs = ebbmap.simulate(lung="linear", outcomes=["auto_peep", "end_release_pressure"], **cases)
    ours = ebbmap.simulate(lung="linear", outcomes=["auto_peep"], catalogue=mine, **cases)
    np.testing.assert_array_equal(ours.auto_peep, theirs.end_release_pressure)
    with pytest.raises(EbbmapError, match="say replace=True"):
        mine.add(other)
    assert mine.add(other, replace=True) == mine


def test_an_outcome_that_lungs_solve_themselves_is_not_replaced():
    def release_volume(p_high):
        return p_high

    other = ebbmap.outcome(units="mL", source=WHY)(release_volume)
    with pytest.raises(EbbmapError, match="solve it themselves and would not use another"):
        builtin().add(other, replace=True)


def test_a_name_of_another_kind_is_refused():
    def airway_pressure(p_high):
        return p_high

    with pytest.raises(EbbmapError, match="there is a signal of this name"):
        builtin().add(ebbmap.outcome(units="cmH2O", source=WHY)(airway_pressure), replace=True)


@pytest.mark.parametrize(
    ("words", "text"),
    [
        ({"units": "furlong"}, "unknown unit 'furlong'"),
        ({"units": "mL kg"}, "did you mean 'mL kg-1'"),
        ({"source": " "}, "needs a source"),
    ],
)
def test_a_mark_without_known_units_or_a_source_is_refused(words, text):
    with pytest.raises(EbbmapError, match=text):
        own(lambda trapped_volume: trapped_volume, **words)


def changing(trapped_volume):
    trapped_volume += 1.0
    return trapped_volume


def in_place_by_key(trapped_volume, p_low):
    p_low[:] = 0.0
    return trapped_volume


@pytest.mark.parametrize(
    ("function", "text"),
    [
        (lambda complience: complience, "takes 'complience': .*did you mean 'compliance'"),
        (lambda *trapped_volume: 1.0, "takes arguments without names"),
        (lambda mine: mine, "needs itself"),
        (changing, "changes its argument trapped_volume"),
        (in_place_by_key, "changes its argument p_low"),
        (lambda trapped_volume: float(trapped_volume.max()), r"one value a case, shape \(8,\)"),
        (lambda trapped_volume: np.stack([trapped_volume] * 2), r"returned \(2, 8\)"),
        (lambda trapped_volume: trapped_volume - trapped_volume.mean(), "depend on the others"),
        (lambda trapped_volume: np.nan_to_num(trapped_volume), "NaN where trapped_volume is NaN"),
        (lambda auto_peep, t_low: np.where(auto_peep > 5, t_low, 1.0), "NaN where auto_peep is"),
        (lambda trapped_volume: ["a"] * len(trapped_volume), "must return numbers"),
        (lambda trapped_volume: trapped_volume[100], "raises IndexError on arrays"),
        (lambda trapped_volume: 1.0 if trapped_volume > 1 else 0.0, "raises ValueError on arrays"),
        (lambda auto_peep_slow, open_fraction_end_high: auto_peep_slow, "no lung gives all"),
    ],
)
def test_a_function_that_would_spoil_a_run_is_refused(function, text):
    with pytest.raises(EbbmapError, match=text):
        builtin().add(own(function))


@pytest.mark.parametrize("name", ["my outcome", "class", "_hidden", "status", "population", "ä b"])
def test_a_name_that_cannot_be_is_refused(name):
    entry = dataclasses.replace(entry_of(trapped_share), name=name)
    with pytest.raises(EbbmapError, match="Rename it"):
        builtin().add(entry)


def test_every_bundled_outcome_passes_but_the_one_that_is_blanked_elsewhere():
    """The engine blanks a lost case; a share of lungs with two settled cycles is 0 or 1."""
    from ebbmap.catalogue.checks import problems_of

    found = {
        entry.name: problems
        for entry in OUTCOMES.values()
        if entry.compute and (problems := problems_of("outcome", entry))
    }
    assert set(found) <= {"other_settled_cycle", "gas_beyond_dead_space"}, found


def linear(**changes):
    return dataclasses.replace(LUNGS["linear"], **{"name": "mine", **changes})


def solved_without_nan(**values):
    solved = LUNGS["linear"].solve(**values)
    return {name: np.nan_to_num(array) for name, array in solved.items()}


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"parameters": ("p_high", "p_low", "t_high")}, "must take the setting t_low"),
        ({"parameters": (*LUNGS["linear"].parameters, "complience")}, "takes 'complience'"),
        ({"solves": SOLVED[1:]}, f"must solve {SOLVED[0]}"),
        ({"solves": (*SOLVED, "auto_pep")}, "solves 'auto_pep'.*did you mean 'auto_peep'"),
        ({"solves": (*SOLVED, "auto_peep_slow")}, "a mapping with auto_peep_slow"),
        ({"signals": ("flows",)}, "draws 'flows'"),
        ({"source": ""}, "needs a source"),
        ({"solve": solved_without_nan}, "release_volume must be NaN where p_high"),
    ],
)
def test_a_lung_that_would_spoil_a_run_is_refused(changes, text):
    with pytest.raises(EbbmapError, match=text):
        builtin().add(linear(**changes))


def test_a_lung_of_settled_cycles_alone_says_so_elsewhere():
    @ebbmap.lung(source=WHY)
    def halved(p_high, p_low, t_high, t_low, compliance, resistance_insp, resistance_exp):
        return LUNGS["linear"].solve(
            p_high=p_high,
            p_low=p_low,
            t_high=t_high,
            t_low=t_low,
            compliance=compliance / 2.0,
            resistance_insp=resistance_insp,
            resistance_exp=resistance_exp,
        )

    mine = builtin().add(halved)
    ours = ebbmap.simulate("halved", t_low=0.4, catalogue=mine)
    theirs = ebbmap.simulate("linear", t_low=0.4, compliance=25.0)
    assert float(ours.release_volume) == float(theirs.release_volume)
    with pytest.raises(EbbmapError, match="'halved' solves settled cycles only: it has no rest"):
        ebbmap.start_up("halved", catalogue=mine)
    with pytest.raises(EbbmapError, match="it has no settle"):
        ebbmap.waveforms("halved", catalogue=mine)


def test_a_population_of_settings_or_of_values_that_cannot_be_is_refused():
    marginals = {
        "p_high": ebbmap.Marginal("normal", 20.0, 1.0, WHY),
        "compliance": ebbmap.Marginal("normal", 0.05, 0.01, WHY),
    }
    with pytest.raises(EbbmapError, match="p_high is a setting") as refused:
        builtin().add(ebbmap.Population("mine", "mine", "", marginals))
    assert "compliance must be between 1 and 1000" in str(refused.value)


def test_own_parameters_reach_a_lung_and_a_population():
    leak = Parameter(
        "leak_share",
        long_name="share of the release that leaks",
        units="1",
        bounds=(0.0, 0.9),
        usual=(0.0, 0.3),
        default=0.1,
        kind="lung property",
        source=WHY,
    )

    @ebbmap.outcome(units="mL", source=WHY)
    def lost_volume(release_volume, leak_share):
        return release_volume * leak_share

    group = ebbmap.Population(
        "leaky", "leaky", "invented", {"leak_share": ebbmap.Marginal("uniform", 0.1, 0.2, WHY)}
    )
    mine = builtin().add(lost_volume, leak, group)
    solved = ebbmap.simulate(
        lung="linear", outcomes=["lost_volume"], leak_share=[0.0, 0.5], catalogue=mine
    )
    assert solved.leak_share.attrs["long_name"] == "share of the release that leaks"
    assert float(solved.lost_volume[0]) == 0.0 < float(solved.lost_volume[1])
    with pytest.raises(EbbmapError, match="takes 'leak_share'"):
        builtin().add(lost_volume)


@pytest.mark.parametrize("lung", LUNGS.values(), ids=lambda lung: lung.name)
def test_every_bundled_lung_would_pass(lung):
    builtin().add(dataclasses.replace(lung, name="mine"))
