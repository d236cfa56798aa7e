import json
import re

import numpy as np
import pytest
import xarray as xr

from ebbmap.cases.evaluate import STATUS
from ebbmap.cases.labelling import (
    Variable,
    code_fingerprint,
    label,
    label_binding,
    label_status,
    label_variables,
    label_verdict,
    provenance,
)
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.outcomes import OUTCOMES


def test_the_level_of_intervals_stands_beside_their_method():
    declared = {
        "share": Variable("share of all {of}"),
        "share_interval": Variable("interval of the share", attrs={"ci_method": "Wilson score"}),
    }
    result = xr.Dataset({"share": 0.5, "share_interval": ("ci_bound", [0.4, 0.6])})
    label_variables(result, declared, level=0.9, of="lungs")
    assert result["share"].attrs == {"units": "1", "long_name": "share of all lungs"}
    assert result["share_interval"].attrs["ci_level"] == 0.9
    # declared once, for every result: labelling changes no declaration
    assert "ci_level" not in declared["share_interval"].attrs
    label_variables(result, declared, of="lungs")
    assert "ci_level" not in result["share_interval"].attrs


def test_a_label_replaces_what_arithmetic_carried_along():
    array = xr.DataArray([1.0], attrs={"units": "mL", "note": "old"}, name="release_volume")
    found = label(array / 2, "auto_peep")
    entry = OUTCOMES["auto_peep"]
    assert found.name == "auto_peep"
    assert found.attrs == {
        "units": entry.units,
        "long_name": entry.long_name,
        "references": entry.source,
    }


def test_a_comment_and_categories_are_carried():
    assert "Outward flow" in label(xr.DataArray(1.0), "peak_expiratory_flow").attrs["comment"]
    assert label(xr.DataArray(1.0), "sex").attrs["flag_values"].tolist() == [0, 1]


def test_an_unknown_name_has_no_label():
    with pytest.raises(KeyError):
        label(xr.DataArray(1.0), "nothing")


@pytest.mark.parametrize(
    ("give", "meanings"),
    [
        (label_status, " ".join(STATUS)),
        (label_verdict, "safe caution unsafe undetermined"),
        (
            lambda a: label_binding(a, LIMIT_SETS["volume"]),
            "release_volume_per_kg_low release_volume_per_kg_high",
        ),
    ],
    ids=["status", "verdict", "binding"],
)
def test_codes_are_described_by_flags(give, meanings):
    attrs = give(xr.DataArray(np.zeros(1, np.int8))).attrs
    assert attrs["flag_meanings"] == meanings
    assert attrs["flag_values"].dtype == np.int8
    assert len(attrs["flag_values"]) == len(meanings.split())


def test_provenance_holds_nothing_that_a_file_would_lose():
    attrs = provenance("t", lung="linear", seed=0)
    assert {type(value) for value in attrs.values()} <= {str, int, float}
    assert {"numpy", "scipy", "xarray", "SALib", "python"} == set(json.loads(attrs["versions"]))
    assert re.match(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00 ", attrs["history"])
    assert attrs["seed"] == 0


def test_the_code_has_a_fingerprint():
    assert re.fullmatch("[0-9a-f]{12}", code_fingerprint())
    assert code_fingerprint() in provenance("t", lung="linear")["source"]
