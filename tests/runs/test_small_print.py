"""What streaming promises in one line each: extremes past NaN, checksums, room on the disk."""

from collections import namedtuple
from types import SimpleNamespace

import numpy as np
import pytest

from ebbmap.errors import TooLargeError
from ebbmap.runs import forecast
from ebbmap.runs.store import codec

#: P low above P high in a third of the cases: they have no numbers.
BROKEN = """
title = "streamed"
lung = "linear"
lungs = 40
populations = ["normal"]
[axes]
p_high = [18.0, 24.0, 30.0]
p_low = [0.0, 20.0]
t_low = [0.3, 0.8]
[outputs]
figures = []
[analyses.sweep]
outcomes = ["auto_peep"]
store = "zarr"
block = 1000
reductions = ["extremes"]
"""


def test_extremes_are_those_of_the_cases_that_have_a_value(small, tmp_path):
    stored, summed = small.run(BROKEN, tmp_path)
    values = stored["auto_peep"].values
    assert 0 < np.isnan(values).mean() < 0.5
    told = summed["auto_peep_extremes"].values.ravel()
    np.testing.assert_array_equal(told, [np.nanmin(values), np.nanmax(values)])


def test_small_compression_notices_every_byte_that_is_not_its_own():
    values = np.random.default_rng(0).normal(size=400)
    pack = codec("small", values.dtype.itemsize)
    packed = bytes(pack.encode(values))
    np.testing.assert_array_equal(np.frombuffer(pack.decode(packed)), values)
    silent = []
    for at in range(0, len(packed), 7):
        spoilt = bytearray(packed)
        spoilt[at] ^= 1
        try:
            pack.decode(bytes(spoilt))
        except RuntimeError:
            continue
        silent.append(at)
    assert silent == []


def room(monkeypatch, disk, memory):
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(forecast.shutil, "disk_usage", lambda path: usage(2e9, 1e9, 1e9))
    monkeypatch.setattr(forecast.psutil, "virtual_memory", lambda: SimpleNamespace(available=1e9))
    return [forecast.Cost("cases", 1000, disk, memory, 1.0, 1)]


@pytest.mark.parametrize(("share", "refused"), [(0.99, False), (1.01, True), (2.0, True)])
def test_what_is_a_little_too_large_for_the_disk_is_refused(monkeypatch, tmp_path, share, refused):
    asked = room(monkeypatch, share * 1e9, 0.0)
    if refused:
        with pytest.raises(TooLargeError, match="must fit on the disk"):
            forecast.check_room(asked, tmp_path)
    else:
        forecast.check_room(asked, tmp_path)


def test_what_is_a_little_too_large_for_the_memory_is_refused(monkeypatch, tmp_path):
    limit = forecast.MEMORY_SHARE * 1e9
    forecast.check_room(room(monkeypatch, 0.0, 0.99 * limit), tmp_path)
    with pytest.raises(TooLargeError, match="fewer --workers"):
        forecast.check_room(room(monkeypatch, 0.0, 1.01 * limit), tmp_path)
    assert 0.4 < forecast.MEMORY_SHARE <= 0.95
