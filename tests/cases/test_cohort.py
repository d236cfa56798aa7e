"""One's own patients as a population."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from ebbmap.cases.cohort import cohort
from ebbmap.errors import EbbmapError
from ebbmap.registries.cohorts import ClaytonPopulation, Rows, StudentPopulation
from ebbmap.registries.copula import Population
from ebbmap.registries.distributions import Marginal
from ebbmap.registries.families import beta, gamma, kernel, mixture, shaped, triangular


def patients(rows=400, *, freedom=None, seed=0):
    """Invented rows: lognormal margins and correlation 0.6, in tails too where `freedom` is set."""
    rng = np.random.default_rng(seed)
    z = rng.multivariate_normal([0, 0], [[1, 0.6], [0.6, 1]], rows)
    if freedom:
        z = z * np.sqrt(freedom / rng.chisquare(freedom, rows))[:, None]
        z = stats.norm.ppf(stats.t.cdf(z, freedom))
    return {
        "compliance": 40.0 * np.exp(0.3 * z[:, 0]),
        "resistance_exp": 12.0 * np.exp(0.4 * z[:, 1]),
    }


class TestBootstrap:
    def test_rows_stay_together(self):
        table = patients(50)
        drawn = cohort(table, source="invented").sample(500, seed=1)
        rows = set(zip(*table.values(), strict=True))
        assert set(zip(drawn["compliance"], drawn["resistance_exp"], strict=True)) <= rows

    def test_weights_count(self):
        table = {**patients(20), "times": np.array([1.0] + [0.0] * 10 + [3.0] * 9)}
        drawn = cohort(table, weights="times", source="invented").sample(4000, seed=1)
        share = np.mean(drawn["compliance"] == table["compliance"][0])
        # one weight of 28; three standard errors of 4,000 draws
        assert share == pytest.approx(1 / 28, abs=0.009)
        assert not np.isin(table["compliance"][1:11], drawn["compliance"]).any()

    def test_what_is_held_moves_the_rest(self):
        group = cohort(patients(2000), source="invented")
        drawn = group.sample(4000, seed=2, given={"compliance": np.array([28.0, 55.0])})
        middle = np.median(drawn["resistance_exp"], axis=1)
        # exp(0.4 * 0.6 * z) at the z of 28 and 55, up to the kernel's width
        wanted = 12.0 * np.exp(0.24 * np.log(np.array([28.0, 55.0]) / 40.0) / 0.3)
        assert middle == pytest.approx(wanted, rel=0.06)
        assert np.all(drawn["compliance"] == np.array([[28.0], [55.0]]))


class TestReading:
    def test_a_frame_and_a_file_with_units_agree(self, tmp_path):
        table = patients(30)
        frame = pd.DataFrame(
            {
                "Crs [L/cmH2O]": table["compliance"] / 1000.0,
                "resistance_exp": table["resistance_exp"],
                "centre": ["a", "b"] * 15,
            }
        )
        frame.to_csv(tmp_path / "own.csv", index=False)
        options = {"columns": {"compliance": "Crs"}, "group": ("centre", "b"), "source": "invented"}
        one, other = cohort(frame, **options), cohort(tmp_path / "own.csv", **options)
        assert isinstance(one, Rows)
        assert one.rows == pytest.approx(other.rows)
        assert one.rows[:, one.properties.index("compliance")] == pytest.approx(
            table["compliance"][1::2]
        )

    @pytest.mark.parametrize(
        ("change", "options", "message"),
        [
            ({"compliance": [0.04] * 10}, {}, "This looks like L/cmH₂O"),
            ({"compliance": [40.0, None] * 5}, {}, "missing = 'drop' or 'draw'"),
            ({"crs": [40.0] * 10}, {}, "no column is named as a parameter"),
            ({"compliance": ["40", "x"] * 5}, {}, "got 'x' in row 3"),
            ({"compliance": [40.0, 50.0]}, {}, "at least 8 rows"),
            ({"compliance": [40.0] * 9}, {"group": ("icu", "1")}, "unknown column 'icu'"),
        ],
    )
    def test_what_cannot_be_is_named(self, change, options, message):
        with pytest.raises(EbbmapError, match=message):
            cohort(change, **options)

    def test_gaps_are_drawn_given_the_rest(self):
        table = patients(600)
        whole = table["resistance_exp"].copy()
        gap = np.random.default_rng(3).random(600) < 0.3
        table["resistance_exp"] = np.where(gap, np.nan, whole)
        drawn = cohort(table, missing="draw", source="invented", seed=4)
        rows = drawn.rows[:, drawn.properties.index("resistance_exp")]
        assert np.array_equal(rows[~gap], whole[~gap])
        found = np.corrcoef(np.log(rows[gap]), np.log(table["compliance"][gap]))[0, 1]
        # 180 pairs with correlation 0.6
        assert found == pytest.approx(0.6, abs=0.15)
        assert "missing values drawn" in drawn.source


class TestSmoothed:
    def test_plain_rows_get_a_plain_copula(self):
        group = cohort(patients(600), how="smoothed", source="invented")
        assert type(group) is Population
        assert group.correlation_matrix[0, 1] == pytest.approx(0.6, abs=0.08)
        assert group.marginals["compliance"].family == "lognormal"
        assert group.median["compliance"] == pytest.approx(40.0, rel=0.04)

    def test_heavy_tails_are_seen(self):
        group = cohort(patients(2500, freedom=3.0), how="smoothed", source="invented")
        assert isinstance(group, StudentPopulation)
        assert group.freedom <= 6.0

    def test_two_humps_get_a_kernel(self):
        rng = np.random.default_rng(0)
        humps = np.concatenate([rng.normal(30, 2, 300), rng.normal(70, 3, 300)])
        group = cohort({"compliance": humps}, how="smoothed", source="invented")
        assert group.marginals["compliance"].family == "kernel"


class TestFamilies:
    @pytest.mark.parametrize(
        "one", [gamma(12.0, 4.0), beta(0.0, 1.0, 0.3, 0.1), triangular(1.0, 2.0, 5.0), stats.t(5.0)]
    )
    def test_scores_and_values_are_inverse(self, one):
        margin = shaped(one, "invented")
        scores = np.linspace(-3.0, 3.0, 13)
        # scipy's own quantiles are inverse to this
        assert margin.score(margin.at(scores)) == pytest.approx(scores, abs=1e-6)

    def test_moments_are_those_asked_for(self):
        assert gamma(12.0, 4.0).mean() == pytest.approx(12.0)
        assert beta(0.0, 2.0, 0.5, 0.2).std() == pytest.approx(0.2)

    def test_a_mixture_has_both_parts(self):
        both = mixture([stats.norm(20.0, 1.0), stats.norm(40.0, 1.0)], [3.0, 1.0])
        assert both.cdf(np.array([30.0]))[0] == pytest.approx(0.75, abs=1e-3)
        assert both.ppf(np.array([0.375]))[0] == pytest.approx(20.0, abs=1e-2)

    def test_a_kernel_follows_the_values(self):
        values = np.random.default_rng(0).lognormal(3.0, 0.4, 3000)
        one = kernel(values)
        shares = np.array([0.1, 0.5, 0.9])
        # 3,000 values, smoothed
        assert one.ppf(shares) == pytest.approx(np.quantile(values, shares), rel=0.04)

    @pytest.mark.parametrize("build", [lambda: gamma(-1.0, 1.0), lambda: beta(0, 1, 0.5, 0.9)])
    def test_what_cannot_be_is_refused(self, build):
        with pytest.raises(EbbmapError):
            build()


class TestCopulas:
    margins = {  # noqa: RUF012
        "compliance": Marginal("lognormal", 40.0, 0.3, "invented"),
        "resistance_exp": Marginal("lognormal", 12.0, 0.4, "invented"),
    }
    pairs = {("compliance", "resistance_exp"): 0.6}  # noqa: RUF012

    def scores(self, group, n=40000, **given):
        drawn = group.sample(n, seed=5, given=given or None)
        return [self.margins[name].score(drawn[name]) for name in self.margins]

    def test_students_margins_stay_and_its_tails_hang_together(self):
        plain = Population("p", "p", "", self.margins, self.pairs, "invented")
        heavy = StudentPopulation("t", "t", "", self.margins, self.pairs, "invented", freedom=3.0)
        both = []
        for group in (plain, heavy):
            one, other = self.scores(group)
            assert np.std(one) == pytest.approx(1.0, abs=0.02)
            both.append(np.mean((one > 2.0) & (other > 2.0)))
        assert both[1] > 1.5 * both[0]

    def test_students_law_given_a_value_is_that_of_the_draws_near_it(self):
        heavy = StudentPopulation("t", "t", "", self.margins, self.pairs, "invented", freedom=4.0)
        one, other = self.scores(heavy, n=400000)
        near = np.abs(one - 1.5) < 0.05
        _, held = self.scores(heavy, compliance=np.array([40.0 * np.exp(0.45)]))
        shares = [0.1, 0.5, 0.9]
        # about 5,000 draws near it
        assert np.quantile(held, shares) == pytest.approx(np.quantile(other[near], shares), abs=0.1)

    def test_claytons_tau_and_its_law_given_a_value(self):
        low = ClaytonPopulation("c", "c", "", self.margins, {}, "invented", strength=2.0)
        one, other = self.scores(low, n=200000)
        # theta / (theta + 2)
        assert stats.kendalltau(one[:4000], other[:4000])[0] == pytest.approx(0.5, abs=0.03)
        near = np.abs(one + 1.0) < 0.05
        _, held = self.scores(low, compliance=np.array([40.0 * np.exp(-0.3)]))
        shares = [0.1, 0.5, 0.9]
        assert np.quantile(held, shares) == pytest.approx(np.quantile(other[near], shares), abs=0.1)
