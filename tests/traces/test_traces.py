"""Traces from another integrator, read and fitted."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from bedside import Bedside, Patient, random_patient, recorded, truth
from ebbmap.errors import EbbmapError
from ebbmap.lungs import lung_model
from ebbmap.traces.best import find_best
from ebbmap.traces.cycles import find_cycles
from ebbmap.traces.fit import find_fit
from ebbmap.traces.misfit import Misfit
from ebbmap.traces.models import fitted_of, scale_of
from ebbmap.traces.trace import read_trace

ONE = Patient()
TWO = Patient(slow_share=0.2)
TUBE = Patient(quadratic=8.0)


def inside(fit, patient, lung):
    real = truth(patient, lung)
    return {
        str(name): float(fit["lower"].sel(property=name))
        <= real[str(name)]
        <= float(fit["upper"].sel(property=name))
        for name in fit["property"].values
    }


class TestReading:
    def write(self, path, columns, separator=","):
        heads, values = zip(*columns.items(), strict=True)
        rows = [separator.join(heads)]
        rows += [separator.join(f"{cell:.6f}" for cell in row) for row in zip(*values, strict=True)]
        path.write_text("\n".join(rows), encoding="utf-8")
        return path

    def test_units_and_order_do_not_matter(self, tmp_path):
        table = recorded(ONE, Bedside(cycles=3), seed=1)
        plain = read_trace(table)
        shuffled = np.random.default_rng(0).permutation(plain.time.size)
        path = self.write(
            tmp_path / "other.csv",
            {
                "Paw [kPa]": table["pressure"][shuffled] * 0.0980665,
                "time_ms": table["time"][shuffled] * 1000.0,
                "Flow (L/min)": table["flow"][shuffled] * 60.0,
            },
            ";",
        )
        other = read_trace(path)
        # six decimals are written, of kPa and of L/min
        assert other.time == pytest.approx(plain.time, abs=1e-6)
        assert other.flow == pytest.approx(plain.flow, abs=1e-6)
        assert other.pressure == pytest.approx(plain.pressure, abs=2e-5)

    @pytest.mark.parametrize("separator", [";", "\t"])
    def test_decimals_may_have_commas_where_these_part_no_cells(self, tmp_path, separator):
        table = recorded(ONE, Bedside(cycles=3), seed=1)
        rows = [
            separator.join(f"{cell:.6f}" for cell in row)
            for row in zip(*table.values(), strict=True)
        ]
        text = "\n".join([separator.join(table), *rows]).replace(".", ",")
        (tmp_path / "other.csv").write_text(text, encoding="utf-8")
        assert read_trace(tmp_path / "other.csv").flow == pytest.approx(table["flow"], abs=1e-6)

    @pytest.mark.parametrize(
        ("text", "message"),
        [
            ("time,flow,paw\n0,00,0,01,25,0\n", "decimals are written with commas, part the cells"),
            ("ward\ntime,flow,paw\n", "each line above the header with #"),
            ("Zeit;Druck\n0;25\n", "--column time=HEADER --column flow=HEADER --column pressure"),
            ("Flu\u00df;t\n0;25\n", "Save it as CSV in UTF-8"),
        ],
    )
    def test_a_file_that_cannot_be_read_is_told_what_to_do(self, tmp_path, text, message):
        (tmp_path / "other.csv").write_text(text, encoding="latin-1")
        with pytest.raises(EbbmapError, match=message):
            read_trace(tmp_path / "other.csv")

    def test_netcdf_and_options_say_the_same(self, tmp_path):
        table = recorded(ONE, Bedside(cycles=3), seed=1)
        dataset = xr.Dataset(
            {
                "v": ("time", table["flow"] * 60.0, {"units": "L/min"}),
                "paw": ("time", table["pressure"], {"units": "cmH2O"}),
            },
            {"time": ("time", table["time"], {"units": "s"})},
        )
        dataset.to_netcdf(tmp_path / "trace.nc", engine="h5netcdf")
        read = read_trace(tmp_path / "trace.nc", columns={"flow": "v"})
        assert read.flow == pytest.approx(table["flow"])

    @pytest.mark.parametrize(
        ("change", "message"),
        [
            (lambda t: {**t, "flow": t["flow"] * 60.0}, "looks like L/min: set --unit flow=L/min"),
            (lambda t: {**t, "flow": t["flow"] * 1000.0}, "looks like mL/s"),
            (lambda t: {**t, "flow": -t["flow"]}, "must be positive"),
            (lambda t: {**t, "time": t["time"] * 1000.0}, "looks like milliseconds"),
            (lambda t: {**t, "pressure": t["pressure"] * 0.098}, "--unit pressure=kPa"),
            (lambda t: {**t, "pressure": 0.0 * t["pressure"] + 20.0}, "must step by at least"),
            (lambda t: {k: v for k, v in t.items() if k != "flow"}, "unknown column 'flow'"),
        ],
    )
    def test_what_cannot_be_is_named(self, change, message):
        with pytest.raises(EbbmapError, match=message):
            read_trace(change(recorded(ONE, Bedside(cycles=3), seed=1)))

    @pytest.mark.parametrize("lung", ["linear", "tube", "paired", "whole"])
    def test_the_sign_of_flow_is_told_whatever_lies_beside_a_switch(self, lung):
        # of the last lung's patients some have flow that has not turned at the first low sample
        for number in (39, 84, 121, 173, *range(20)):
            patient, how = random_patient(lung, np.random.default_rng([number, 3]))
            table = recorded(patient, how, seed=number)
            read_trace(table)
            with pytest.raises(EbbmapError, match="must be positive"):
                read_trace({**table, "flow": -table["flow"]})

    def test_rows_without_a_value_are_left_out_and_said(self):
        table = recorded(ONE, Bedside(cycles=3), seed=1)
        table["flow"][[5, 9]] = np.nan
        read = read_trace(table)
        assert read.time.size == table["time"].size - 2
        assert "2 of" in read.notes[0]


class TestCycles:
    def test_cut_cycles_are_left_out(self):
        how = Bedside(cycles=5, begins=100.0)
        cycles = find_cycles(read_trace(recorded(ONE, how, seed=2)))
        assert cycles.count == 4
        assert cycles.settled
        settings = cycles.settings()
        # a step is known to lie between two samples
        assert settings["t_high"] == pytest.approx(4.0, abs=0.02)
        assert settings["t_low"] == pytest.approx(0.6, abs=0.02)
        # 0.05 cmH2O of noise over hundreds of samples
        assert settings["p_high"] == pytest.approx(25.0, abs=0.02)
        assert settings["p_low"] == pytest.approx(5.0, abs=0.02)

    def test_a_valve_is_found_in_the_pressure(self):
        cycles = find_cycles(read_trace(recorded(ONE, Bedside(valve=0.06), seed=2)))
        assert cycles.valve_time == pytest.approx(0.06, abs=0.003)

    def test_a_start_from_rest_is_told(self):
        rest = find_cycles(read_trace(recorded(ONE, Bedside(from_rest=5.0, t_low=0.4), seed=2)))
        assert not rest.settled
        assert rest.count == 6

    def test_quick_flow_beside_a_switch_is_no_start(self):
        patient, how = random_patient("paired", np.random.default_rng([5, 2]))
        assert find_cycles(read_trace(recorded(patient, how, seed=5))).settled

    def test_one_cycle_is_needed(self):
        table = recorded(ONE, Bedside(cycles=1), seed=2)
        short = {name: values[:150] for name, values in table.items()}
        with pytest.raises(EbbmapError, match=r"at least one whole cycle|must step"):
            find_cycles(read_trace(short))


class TestFit:
    def test_an_exact_trace_gives_the_lung_back(self):
        how = Bedside(noise=5e-4, pressure_noise=0.0, rate=100.0)
        fit = find_fit(recorded(TUBE, how, seed=3), lung="tube", compare=False)
        real = truth(TUBE, "tube")
        for name in map(str, fit["property"].values):
            # noise of half a thousandth, a thousand samples and more
            assert float(fit["estimate"].sel(property=name)) == pytest.approx(real[name], rel=0.01)
        assert fit["identifiable"].values.all()

    def test_offset_and_leak_are_found_beside_the_lung(self):
        how = Bedside(offset=0.08, leak=0.002, cycles=8)
        fit = find_fit(recorded(ONE, how, seed=4), lung="linear", compare=False)
        assert fit.attrs["large_disturbances"] == 1
        found = dict(
            zip(fit["disturbance"].values, fit["disturbance_estimate"].values, strict=True)
        )
        total = found["offset"] + 25.0 * found["leak"]
        assert total == pytest.approx(0.08 + 25.0 * 0.002, abs=0.01)

    def test_a_period_between_samples_is_found(self):
        # a period off by 0.7 ms, as steps place it, moves samples of 5 L/s by 0.06 L/s
        patient = Patient(compliance=0.037, insp=5.4, exp=5.5)
        how = Bedside(t_high=2.9548, t_low=1.1045, rate=100.0, noise=0.005, p_low=0.0)
        fit = find_fit(recorded(patient, how, seed=2), lung="linear", compare=False)
        period = fit.attrs["set_t_high"] + fit.attrs["set_t_low"]
        assert period == pytest.approx(2.9548 + 1.1045, abs=1e-4)
        # noise and nothing else is left: its own error is 2 % with 2,400 samples
        assert fit.attrs["noise"] == pytest.approx(0.005, rel=0.1)

    def test_a_sample_on_the_wrong_side_of_a_switch_moves_nothing(self):
        # one sample of 4 L/s beside a switch drew the period 5 ms away, and the lung with it
        patient, how = random_patient("whole", np.random.default_rng([22, 3]))
        cycles = find_cycles(read_trace(recorded(patient, how, seed=22)))
        lung = lung_model("whole")
        scale = scale_of(fitted_of(lung, None, None), None, "whole")
        best = find_best(lung, scale, cycles, {}, wide=("offset", "leak"))
        period = sum(one.duration for one in best.misfit.cycles.phases)
        # four cycles of 50 samples a second; the samples were off by up to 20 ms before
        assert period == pytest.approx(how.t_high + how.t_low, abs=1e-3)
        # noise and rounding; its own error is 2 % with 1,300 samples
        real = np.hypot(how.noise, how.quantum / np.sqrt(12.0))
        assert best.noise == pytest.approx(real, rel=0.06)

    def test_steps_are_short_enough_for_a_quick_lung_with_a_bend(self):
        # the tail of its release is quicker than its volume over its peak flow
        patient, how = random_patient("whole", np.random.default_rng([16, 3]))
        how = replace(how, noise=0.0, pressure_noise=0.0, quantum=0.0)
        cycles = find_cycles(read_trace(recorded(patient, how)))
        lung = lung_model("whole")
        scale = scale_of(fitted_of(lung, None, None), None, "whole")
        real = truth(patient, "whole")
        place = scale.place({name: real[name] for name in scale.names})
        coarse = Misfit(lung, scale, cycles, {}, how.noise)
        fine = Misfit(lung, scale, cycles, {}, how.noise)
        fine.__dict__["largest"] = 0.005
        # a tenth of the least noise of random patients; it was 0.006 L/s with steps of 0.2 s
        assert coarse.flow(place[None]) == pytest.approx(fine.flow(place[None]), abs=1e-3)

    def test_a_start_from_rest_is_fitted(self):
        how = Bedside(from_rest=5.0, t_low=0.4)
        fit = find_fit(recorded(ONE, how, seed=5), lung="linear", compare=False)
        assert fit.attrs["settled"] == 0
        assert float(fit["estimate"].sel(property="compliance")) == pytest.approx(50.0, rel=0.05)

    @pytest.mark.slow
    def test_a_wrong_lung_is_found_out(self):
        fit = find_fit(recorded(TWO, Bedside(cycles=8), seed=6), lung="linear")
        assert fit.attrs["better_lung"] == "paired"
        found = fit["compliance"].isel(supposition=int(fit["likeliest"].sel(lung="paired")))
        # the right lung tells the compliance, the wrong one does not
        assert float(found.sel(lung="paired")) == pytest.approx(50.0, rel=0.1)
        assert not 45.0 < float(fit["estimate"].sel(property="compliance")) < 55.0

    @pytest.mark.slow
    def test_the_right_lung_is_left_alone_and_a_tube_that_is_not_there_is_not_told(self):
        fit = find_fit(recorded(ONE, Bedside(), seed=7), lung="tube")
        assert fit.attrs["better_lung"] == ""
        known = dict(zip(fit["property"].values, fit["identifiable"].values, strict=True))
        assert known == {
            "compliance": 1,
            "resistance_insp": 1,
            "resistance_exp": 1,
            "resistance_quadratic": 0,
        }

    def test_effort_is_suspected(self):
        quiet = find_fit(recorded(ONE, Bedside(cycles=8), seed=8), lung="linear", compare=False)
        breathing = recorded(ONE, Bedside(cycles=8, effort=4.0), seed=8)
        restless = find_fit(breathing, lung="linear", compare=False, start="settled")
        assert quiet.attrs["effort_suspected"] == 0
        assert restless.attrs["effort_suspected"] == 1

    @pytest.mark.slow
    def test_a_population_as_prior_narrows(self):
        how = Bedside(cycles=3, noise=0.03)
        flat = find_fit(recorded(TWO, how, seed=9), lung="paired", compare=False)
        known = find_fit(
            recorded(TWO, how, seed=9), lung="paired", prior="restrictive", compare=False
        )
        width = [
            float(np.log(one["upper"] / one["lower"]).sel(property="compliance_slow"))
            for one in (flat, known)
        ]
        assert width[1] < width[0]

    def test_what_flow_does_not_depend_on_is_refused(self):
        with pytest.raises(EbbmapError, match="slow_tissue_share cannot be fitted"):
            find_fit(
                recorded(ONE, Bedside(cycles=3)), lung="whole", properties=["slow_tissue_share"]
            )

    def test_a_draw_is_repeated_by_its_seed(self):
        table = recorded(ONE, Bedside(cycles=3), seed=1)
        one, other = (find_fit(table, lung="linear", compare=False, seed=3) for _ in range(2))
        assert np.array_equal(one["draws"], other["draws"])


@pytest.mark.slow
def test_intervals_of_random_patients_hold_the_truth():
    """A small copy of tests/external/trace_coverage.py, whose result is kept beside it."""
    hits = []
    for lung in ("linear", "tube"):
        for number in range(15):
            patient, how = random_patient(lung, np.random.default_rng([number, 77]))
            fit = find_fit(recorded(patient, how, seed=number), lung=lung, compare=False)
            hits += inside(fit, patient, lung).values()
    # 105 intervals of 90 % that hang together by patients: 3 standard errors of 30 patients
    assert 0.74 <= np.mean(hits) <= 1.0
