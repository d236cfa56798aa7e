"""P high from the plateau of each lung, beside the same P high written out."""

import numpy as np
import pytest

from ebbmap.cases.drawn_bounds import bar_leavers
from ebbmap.cases.evaluate import STATUS, evaluate
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError
from ebbmap.lungs import lung_model

COMPLIANCE = np.array([15.0, 30.0, 60.0, 120.0])
WEIGHT = np.array([80.0, 50.0, 70.0, 60.0])


@pytest.mark.parametrize("lung", ["linear", "whole"])
def test_it_is_the_pressure_of_a_small_breath_above_peep_and_never_above_the_cap(lung):
    given = {"compliance": COMPLIANCE, "predicted_body_weight": WEIGHT, "t_low": 0.5}
    cap, peep, volume = 25.0, 8.0, 5.0
    by_rule = simulate(
        lung,
        plateau_peep=peep,
        plateau_volume_per_kg=volume,
        p_high_at_most=cap,
        outcomes=("release_volume",),
        **given,
    )
    by_hand = [min(peep + volume * w / c, cap) for w, c in zip(WEIGHT, COMPLIANCE, strict=True)]
    # 8 + 5 x 80 / 15 is above the cap
    assert by_hand[0] == cap and by_hand[1] == pytest.approx(8.0 + 250.0 / 30.0)
    np.testing.assert_allclose(by_rule["p_high"], by_hand, rtol=1e-14)
    written = simulate(lung, p_high=by_hand, outcomes=("release_volume",), **given)
    np.testing.assert_allclose(by_rule["release_volume"], written["release_volume"], rtol=1e-12)


def test_p_high_is_not_given_twice():
    with pytest.raises(EbbmapError, match="p_high is given twice"):
        simulate("linear", p_high=20.0, plateau_peep=10.0)


def test_a_drawn_lung_out_of_bounds_is_marked_where_p_high_comes_from_the_plateau():
    drawn = {"compliance": np.array([50.0, -3.0]), "plateau_peep": np.array(10.0)}
    barred = bar_leavers(drawn, ["compliance"])
    assert "p_high" not in barred
    solved = evaluate(lung_model("linear"), barred, ("release_volume",))
    assert [STATUS[code] for code in solved.status] == ["ok", "out_of_domain"]
    assert np.isfinite(solved.outcomes["release_volume"]).tolist() == [True, False]
