"""A draft beside conventional ventilation, against a loop over lungs, rows and rates."""

import numpy as np
import pytest

from committee_case import PLAIN, check_of, protocol_of
from ebbmap.cases.evaluate import evaluate
from ebbmap.committee.lungs import VERDICT, draw_lungs
from ebbmap.errors import EbbmapError
from ebbmap.files.protocol import parse_protocol
from ebbmap.policies.beside_draft import beside_pieces, find_beside
from ebbmap.runs.usual import usual_policy

#: One that conventional ventilation can fail too: volume, plateau, pH and oxygen are judged.
HARMED = (
    PLAIN.replace('sets = ["pressure"]', 'sets = ["harm"]')
    .split("[[limits.own]]")[0]
    .replace('rules = ["own"]', 'rules = ["flow_ratio"]')
    .replace(
        "[[groups]]", "[fixed]\nfio2 = 0.7\nspontaneous_alveolar_ventilation = 0.5\n[[groups]]", 1
    )
)

#: The rows of the published table at this FiO2, and expiratory times from 25 to 35 a minute.
PEEPS, EXPIRATORY = (10.0, 12.0, 14.0), (1.4, 1.3, 1.2, 1.1, 1.0, 0.9, 0.8)


@pytest.fixture(scope="module")
def found():
    protocol = parse_protocol(HARMED)
    return protocol, beside_pieces(protocol, usual_policy()).whole()


def test_a_lung_is_unharmed_if_it_is_at_one_rate_and_row(found):
    protocol, usual = found
    seen = set()
    for group in protocol.groups:
        drawn = draw_lungs(protocol, group, protocol.lungs, VERDICT)
        whole = group.population.sample(protocol.lungs, seed=_seed_of(protocol, group))
        for row, number in enumerate(drawn.number[:40]):
            lung = {n: float(v[number]) for n, v in whole.items()}
            rise = lung["predicted_body_weight"] / lung["compliance"]
            unharmed = False
            for peep in PEEPS:
                plateau = max(min(peep + 6.0 * rise, 30.0), peep + 4.0 * rise)
                for t_low in EXPIRATORY:
                    case = {
                        **lung,
                        **protocol.fixed,
                        "p_high": plateau,
                        "p_low": peep,
                        "t_high": 1.0,
                        "t_low": t_low,
                    }
                    unharmed |= _no_harm(protocol, case)
            assert float(usual["unharmed"].sel(group=group.name)[number]) == unharmed, row
            seen.add(unharmed)
    assert seen == {True, False}


def _seed_of(protocol, group):
    from ebbmap.committee.lungs import streams

    return int(streams(protocol, group.name, VERDICT)[0].generate_state(1, np.uint64)[0])


def _no_harm(protocol, case):
    """Judge one case by the limits on harm, bound by bound."""
    known = {n: np.array(float(v)) for n, v in case.items()}
    solved = evaluate(protocol.lung, known, protocol.limits.outcomes).outcomes
    for bound in protocol.limits.hard:
        if bound.outcome == "flow_ratio":
            continue
        value = float(solved[bound.outcome])
        if not (value >= bound.value if bound.side == "low" else value <= bound.value):
            return False
    return True


def test_patients_are_better_off_worse_off_or_the_same():
    check = check_of(PLAIN)
    lungs = check.results["lungs"].copy(deep=True)
    usual = lungs.rename(harmless_somewhere="unharmed")[["unharmed"]].copy(deep=True)
    # normal: of four lungs, one of each kind; obstructive: all are better off
    lungs["harmless_somewhere"][:], usual["unharmed"][:] = np.nan, np.nan
    lungs["harmless_somewhere"][0, :4] = [1, 0, 1, 0]
    usual["unharmed"][0, :4] = [0, 1, 1, 0]
    lungs["harmless_somewhere"][1, 10:14] = 1
    usual["unharmed"][1, 10:14] = 0
    found = find_beside(check.protocol, lungs, usual)
    for kind, normal in (("better", 0.25), ("worse", 0.25), ("both", 0.25), ("neither", 0.25)):
        assert found[f"{kind}_share"].sel(group="normal") == normal
    assert found["better_share"].sel(group="obstructive") == 1.0
    assert float(found["better_share"].sel(group="all")) == pytest.approx(0.4 * 0.25 + 0.6)
    whole = sum(found[f"{kind}_share"] for kind in ("better", "worse", "both", "neither"))
    np.testing.assert_allclose(whole, 1.0)


def test_other_lungs_are_refused():
    check = check_of(PLAIN)
    lungs = check.results["lungs"]
    usual = lungs.rename(harmless_somewhere="unharmed")[["unharmed"]].copy(deep=True)
    usual["unharmed"][0, 3] = np.nan
    with pytest.raises(EbbmapError, match="normal met other lungs"):
        find_beside(check.protocol, lungs, usual)


def test_a_draft_judged_by_a_rule_alone_stands_beside_nothing():
    text = PLAIN.split("[limits]")[0] + '[limits]\nsets = []\nrules = ["flow_ratio"]\n'
    assert beside_pieces(parse_protocol(text), usual_policy()) is None


def test_harm_somewhere_is_that_of_all_combinations():
    """A lung is unharmed somewhere if no bound but the rule is broken there, corners included."""
    protocol = protocol_of(PLAIN)
    lungs = check_of(PLAIN).results["lungs"]["harmless_somewhere"]
    from ebbmap.committee.lungs import corners, solver, unit_settings

    for group in protocol.groups:
        drawn = draw_lungs(protocol, group, protocol.lungs, VERDICT)
        unit = unit_settings(protocol, protocol.draft, protocol.settings_drawn, "", VERDICT)
        places = np.concatenate([unit, corners(protocol.draft)])
        solve, m = solver(protocol, protocol.draft, drawn, protocol.draft.places(places))
        solved = solve(slice(None))
        good = np.ones((drawn.size, m), bool)
        for bound in protocol.limits.hard:
            if bound.outcome != "flow_ratio":
                value = solved[bound.outcome]
                good &= value >= bound.value if bound.side == "low" else value <= bound.value
        assert (lungs.sel(group=group.name).values[drawn.number] == good.any(axis=1)).all()
