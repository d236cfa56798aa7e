"""Putting pieces together: order, counts that add up, and what is the same everywhere."""

import numpy as np
import pytest
import xarray as xr

from ebbmap.cases.pieces import Within, in_a_row, join_groups, join_places, listed, single, together


def place(t_low, failed, note="same"):
    return xr.Dataset(
        {
            "value": (("outcome", "t_low"), [[10.0 * t_low], [20.0 * t_low]]),
            "failed": failed,
            "note": note,
        },
        {"outcome": ["a", "b"], "t_low": [t_low]},
        {"title": f"place {t_low:g}"},
    )


def test_cases_that_failed_add_up_over_the_places():
    joined = join_places([place(0.3, 2), place(0.6, 0), place(0.9, 5)], "t_low")
    assert int(joined["failed"]) == 7
    assert joined["t_low"].values.tolist() == [0.3, 0.6, 0.9]
    np.testing.assert_allclose(joined["value"], [[3.0, 6.0, 9.0], [6.0, 12.0, 18.0]])
    assert joined["note"].item() == "same"
    assert joined.attrs == {"title": "place 0.3"}


def test_places_without_a_count_of_failures_are_joined_too():
    joined = join_places([place(t, 0).drop_vars("failed") for t in (0.3, 0.6)], "t_low")
    assert "failed" not in joined
    assert joined.sizes["t_low"] == 2


def test_groups_stand_side_by_side_under_their_names():
    one, other = place(0.3, 1).isel(t_low=0), place(0.3, 4).isel(t_low=0, outcome=[1])
    joined = join_groups([one, other], ["normal", "obstructive"])
    assert joined["failed"].sel(population=["normal", "obstructive"]).values.tolist() == [1, 4]
    # an outcome that a group has not is missing there, not filled in
    assert np.isnan(joined["value"].sel(population="obstructive", outcome="a"))
    assert float(joined["value"].sel(population="obstructive", outcome="b")) == 6.0


def test_rows_of_all_variables_follow_each_other():
    parts = [xr.Dataset({"x": ("n", [float(k)])}) for k in range(3)]
    assert in_a_row(parts, "n")["x"].values.tolist() == [0.0, 1.0, 2.0]


def test_pieces_are_done_in_order_and_told_of_progress():
    heard = []

    def solve(number, progress):
        progress(10 * number)
        return xr.Dataset({"number": number})

    work = listed(3, solve, lambda found: [int(one["number"]) for one in found])
    assert work.wanted({}) == ["000000", "000001", "000002"]
    assert work.whole(heard.append) == [0, 1, 2]
    assert heard == [0, 10, 20]


def test_one_piece_is_what_was_run():
    work = single(lambda progress: xr.Dataset({"x": 5.0}))
    assert float(work.whole()["x"]) == 5.0


def test_works_side_by_side_keep_their_own_pieces():
    def numbers(start):
        return listed(
            2,
            lambda n, _: xr.Dataset({"x": start + n}),
            lambda found: sum(int(one["x"]) for one in found),
        )

    both = together({"one": numbers(1), "other": numbers(10)}, dict)
    assert both.wanted({}) == ["one.000000", "one.000001", "other.000000", "other.000001"]
    assert both.whole() == {"one": 3, "other": 21}


def test_a_part_sees_its_own_pieces_alone():
    found = {
        "one.000000": xr.Dataset({"x": 1}),
        "other.000000": xr.Dataset({"x": 2}),
        "other.000001": xr.Dataset({"x": 3}),
    }
    own = Within(found, "other")
    assert (len(own), list(own)) == (2, ["000000", "000001"])
    assert "000001" in own and "000002" not in own
    assert int(own["000001"]["x"]) == 3
    with pytest.raises(KeyError):
        own["000002"]


def test_work_that_grows_goes_on_until_nothing_more_is_wanted():
    from ebbmap.cases.pieces import Pieces

    work = Pieces(
        lambda found: [str(n) for n in range(min(len(found) + 1, 4))],
        lambda name, found, progress: xr.Dataset({"before": len(found)}),
        lambda found: [int(found[str(n)]["before"]) for n in range(4)],
    )
    assert work.whole() == [0, 1, 2, 3]


def test_groups_with_coordinates_of_their_own_stand_side_by_side():
    with_it = xr.Dataset(
        {"share": ("t_low", [0.1, 0.2])},
        {"t_low": [0.3, 0.5], "tube": ("t_low", [4.0, 5.0], {"units": "1"}), "kind": "bent"},
    )
    without = xr.Dataset({"share": ("t_low", [0.3, 0.4])}, {"t_low": [0.3, 0.5]})
    for found in ([with_it, without], [without, with_it]):
        groups = ["with" if one is with_it else "without" for one in found]
        joined = join_groups(found, groups)
        np.testing.assert_array_equal(joined["share"].sel(population="without"), [0.3, 0.4])
        np.testing.assert_array_equal(joined["tube"].sel(population="with"), [4.0, 5.0])
        assert joined["tube"].sel(population="without").isnull().all()
        assert [
            str(joined["kind"].sel(population=name).item()) for name in ("with", "without")
        ] == ["bent", ""]


def test_works_that_grow_side_by_side_see_their_own_pieces_alone():
    from ebbmap.cases.pieces import Pieces

    def counting(last):
        return Pieces(
            lambda found: [str(n) for n in range(min(len(found) + 1, last))],
            lambda name, found, progress: xr.Dataset({"before": len(found)}),
            lambda found: [int(found[str(n)]["before"]) for n in range(last)],
        )

    both = together({"short": counting(2), "long": counting(5)}, dict)
    assert both.wanted({}) == ["short.0", "long.0"]
    assert both.wanted({"short.0": xr.Dataset()}) == ["short.0", "short.1", "long.0"]
    assert both.whole() == {"short": [0, 1], "long": [0, 1, 2, 3, 4]}
