"""Limits that exclude each other in drawn lungs, beside trying every set of them."""

from itertools import combinations

import numpy as np
import pytest

from ebbmap.analyses.together import Together, find_together, kept_sentence
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError
from ebbmap.registries.limits import LIMIT_SETS, Limit, LimitSet, combine
from ebbmap.registries.populations import POPULATIONS
from ebbmap.tables.together import tables

T_LOW = np.geomspace(0.1, 3.0, 12)
LIMITS = combine("both", *(LIMIT_SETS[n] for n in ("pressure", "auto_peep", "flow_ratio")))
ASKED = Question(
    lung="linear",
    fixed={"p_high": 28.0, "p_low": 0.0, "t_high": 5.0},
    populations=(POPULATIONS["restrictive"],),
    rules={"both": LIMITS},
    lungs=15,
    seed=2,
)


def test_shares_are_what_trying_every_set_gives():
    found = find_together(ASKED, axes={"t_low": T_LOW}).isel(population=0, rule=0)
    solved = simulate(lung="linear", **draw_cases(ASKED, ASKED.populations[0], {"t_low": T_LOW}))
    solved = solved.transpose("sample", "t_low", ...)
    kept = np.stack([bound.margin(solved[bound.outcome].values) >= 0 for bound in LIMITS.hard])
    words = [kept_sentence(bound) for bound in LIMITS.hard]
    tally, largest = {}, {}
    for lung in range(ASKED.lungs):
        every = [c for n in range(len(words) + 1) for c in combinations(range(len(words)), n)]
        holds = {c: bool(kept[list(c), lung].all(axis=0).any()) for c in every}
        for one in every:
            inner = [c for c in every if set(c) < set(one)]
            outer = [c for c in every if set(c) > set(one)]
            text = " and ".join(words[i] for i in one)
            if not holds[one] and all(holds[c] for c in inner):
                tally[text] = tally.get(text, 0) + 1
            if holds[one] and not any(holds[c] for c in outer):
                largest[text] = largest.get(text, 0) + 1
    for name, expected in (("excluding", tally), ("largest", largest)):
        pairs = zip(found[name].values, found[f"{name}_share"].values, strict=True)
        said = {str(text): round(share * ASKED.lungs) for text, share in pairs if share > 0}
        assert said == expected
    assert float(found["held_share"]) == kept.all(axis=0).any(axis=1).mean()


@pytest.mark.parametrize(("p_high", "apart"), [(19.0, False), (21.0, True)])
def test_the_identity_of_a_filled_linear_lung_is_found(p_high, apart):
    limits = LimitSet(
        "two",
        "two",
        (Limit("flow_ratio", "invented", low=0.5), Limit("auto_peep", "invented", high=10.0)),
    )
    # T high of many time constants fills the lung
    fixed = {"p_high": p_high, "p_low": 0.0, "t_high": 20.0, "resistance_insp": 5.0}
    found = find_together(
        Question(lung="linear", fixed=fixed, rules={"two": limits}),
        axes={"t_low": np.geomspace(0.02, 5, 400)},
    )
    assert float(found["held_share"].item()) == (0.0 if apart else 1.0)
    assert str(found["identity"].item()).endswith("exclude each other where it is above 20")
    assert (found["rank_correlation"].isel(bound=0, other_bound=1) < -0.999).all()
    titles = [one.title for one in tables(found)]
    assert "limits that bound one quantity" in titles


def test_a_setting_needs_values():
    with pytest.raises(EbbmapError, match="t_high has no axis"):
        find_together(ASKED, Together(axes=["t_high"]), axes={"t_low": T_LOW})
