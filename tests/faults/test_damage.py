"""Damage to what a run has finished: found by `ebbmap status --verify`, and mended by a new run."""

import json
import shutil

import pytest
import xarray as xr

import kept_runs
from ebbmap.errors import EbbmapError
from ebbmap.runs import Ledger, find_damage, status_of
from ebbmap.runs.entries import MAGIC, checksum, seal, unseal
from ebbmap.runs.plan import key_of
from kept_runs import KINDS, contents, entries, perform

# every damage is a run that is made again
pytestmark = pytest.mark.slow


def flipped(content):
    middle = len(content) // 2
    return content[:middle] + bytes([content[middle] ^ 4]) + content[middle + 1 :]


#: What happens to a file; None removes it.
DAMAGE = {
    "flipped": flipped,
    "zeroed": lambda content: bytes(len(content)),
    "truncated": lambda content: content[: len(content) // 2],
    "lengthened": lambda content: content + b"\0",
    "emptied": lambda content: b"",
    "deleted": None,
}

#: Files of each kind of run, by place in its folder.
LEDGER = ("pieces/plan.json", "pieces/known.json", "pieces/files.results.piece")
FILES = {
    "store": (
        "cases.zarr/auto_peep/0.0.0.0",
        "cases.zarr/status/1.0.0.0",
        "cases.zarr/t_low/0",
        "cases.zarr/population/0",
        "cases.zarr/.zmetadata",
        "cases.zarr/.zattrs",
        "cases.zarr/.zgroup",
        "cases.zarr/auto_peep/.zarray",
        "cases.zarr/t_low/.zattrs",
        "cases_summary.nc",
        "study.toml",
        "pieces/cases.00000002.piece",
        "pieces/files.cases.zarr.piece",
        *LEDGER,
    ),
    "counts": ("cases_summary.nc", "pieces/cases.00000001.piece", *LEDGER),
    "sobol": ("drivers_t_low.nc", "pieces/drivers_t_low.{0}.piece", *LEDGER),
    "check": ("pieces/verdict.000000.piece", "pieces/windows.000001.piece", *LEDGER[:2]),
}


@pytest.fixture
def copy(undisturbed, tmp_path):
    """A copy of a finished run of a kind that may be damaged."""

    def of(kind):
        shutil.copytree(undisturbed(kind), tmp_path / "out")
        return tmp_path / "out"

    return of


def damage_file(path, how):
    before = path.read_bytes()
    if how is None:
        path.unlink()
        return
    assert how(before) != before
    path.write_bytes(how(before))


def damaged(folder):
    """What is found, whether in sentences or as a refusal to go by a plan that is gone."""
    try:
        return list(find_damage(folder))
    except EbbmapError as error:
        return [str(error)]


def named(folder, place):
    """The file of a place; a piece of a grown design goes by the first of its kind."""
    return sorted(folder.glob(place.replace("{0}", "*")))[0]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("how", DAMAGE)
def test_damaged_files_are_found_each_and_a_new_run_mends_all(kind, how, undisturbed, copy):
    out = copy(kind)
    assert damaged(out) == []
    paths = [named(out, place) for place in FILES[kind]]
    for path in paths:
        before = path.read_bytes()
        damage_file(path, DAMAGE[how])
        found = damaged(out)
        assert any(path.name in sentence for sentence in found) or (
            how == "deleted" and "pieces of" in found[0]
        ), (path, found)
        path.write_bytes(before)
    assert damaged(out) == []
    for path in paths:
        damage_file(path, DAMAGE[how])
    perform(kind, out)
    assert contents(out) == contents(undisturbed(kind))
    assert damaged(out) == []


@pytest.mark.parametrize("compression", ["none", "small"])
@pytest.mark.parametrize("how", DAMAGE)
def test_chunks_are_compared_whatever_their_compression(compression, how, tmp_path):
    text = kept_runs.STORE.replace(
        'store = "zarr"', f'store = "zarr"\ncompression = "{compression}"'
    )
    perform("store", tmp_path, text)
    whole, before = contents(tmp_path), entries(tmp_path)
    damage_file(tmp_path / "cases.zarr/auto_peep/1.0.0.0", DAMAGE[how])
    assert [s.split(" is ")[0] for s in damaged(tmp_path)] == [
        str(tmp_path / "cases.zarr/auto_peep/1.0.0.0")
    ]
    perform("store", tmp_path, text)
    assert contents(tmp_path) == whole
    after = entries(tmp_path)
    assert [name for name in before if after[name] != before[name]] == ["cases.00000002"]


@pytest.mark.parametrize(
    ("kind", "one", "another"),
    [
        ("store", "cases.zarr/auto_peep/0.0.0.0", "cases.zarr/auto_peep/1.0.0.0"),
        ("store", "cases.zarr/t_low/0", "cases.zarr/p_high/0"),
        ("store", "pieces/cases.00000000.piece", "pieces/cases.00000001.piece"),
        ("counts", "pieces/cases.00000000.piece", "pieces/cases.00000001.piece"),
        (
            "sobol",
            "pieces/drivers_t_low.0000.000000.00000032.piece",
            "pieces/drivers_t_low.0000.000001.00000032.piece",
        ),
        (
            "sobol",
            "pieces/drivers_t_low.0000.000000.00000016.piece",
            "pieces/drivers_t_low.0000.000000.00000032.piece",
        ),
        ("check", "pieces/windows.000000.piece", "pieces/windows.000001.piece"),
    ],
)
def test_swapped_files_are_found_and_made_again(kind, one, another, undisturbed, copy):
    out = copy(kind)
    (out / one).rename(out / "aside")
    (out / another).rename(out / one)
    (out / "aside").rename(out / another)
    found = damaged(out)
    assert any(one in sentence for sentence in found)
    assert any(another in sentence for sentence in found)
    perform(kind, out)
    assert contents(out) == contents(undisturbed(kind))


@pytest.mark.parametrize("what", ["auto_peep", "t_low", ""])
def test_a_folder_of_a_store_that_is_gone_is_made_again(what, undisturbed, copy):
    out = copy("store")
    shutil.rmtree(out / "cases.zarr" / what)
    assert damaged(out)
    perform("store", out)
    assert contents(out) == contents(undisturbed("store"))


def test_a_folder_where_a_file_should_be_is_replaced(undisturbed, copy):
    out = copy("store")
    for place in (
        "cases.zarr/.zmetadata",
        "pieces/cases.00000000.piece",
        "cases.zarr/auto_peep/1.0.0.0",
    ):
        (out / place).unlink()
        (out / place).mkdir()
    perform("store", out)
    assert contents(out) == contents(undisturbed("store"))


def test_edited_metadata_is_found_and_put_right(undisturbed, copy):
    out = copy("store")
    path = out / "cases.zarr" / ".zmetadata"
    path.write_text(path.read_text().replace("cmH2O", "hPa"))
    with xr.open_zarr(out / "cases.zarr") as opened:
        assert opened["auto_peep"].attrs["units"] == "hPa"
    assert any(".zmetadata" in sentence for sentence in damaged(out))
    perform("store", out)
    assert contents(out) == contents(undisturbed("store"))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("gone", [True, False])
def test_without_its_plan_a_folder_lets_no_piece_of_another_study_in(kind, gone, copy):
    out = copy(kind)
    plan = out / "pieces" / "plan.json"
    plan.unlink() if gone else plan.write_bytes(flipped(plan.read_bytes()))
    before = contents(out)
    with pytest.raises(EbbmapError, match=r"plan\.json is gone, and its pieces are of something"):
        perform(kind, out, kept_runs.other(kind))
    assert contents(out) == before
    with pytest.raises(EbbmapError, match=r"plan\.json must say what was asked"):
        status_of(out)


@pytest.mark.parametrize("kind", KINDS)
def test_without_its_plan_the_same_study_keeps_its_pieces(kind, undisturbed, copy):
    out = copy(kind)
    before = entries(out)
    (out / "pieces" / "plan.json").unlink()
    perform(kind, out)
    assert entries(out) == before
    assert contents(out) == contents(undisturbed(kind))


@pytest.mark.parametrize("kind", KINDS)
def test_pieces_of_another_study_are_not_taken(kind, undisturbed, copy, tmp_path):
    out = copy(kind)
    perform(kind, tmp_path / "other", kept_runs.other(kind))
    for path in (tmp_path / "other" / "pieces").glob("*.piece"):
        shutil.copy(path, out / "pieces" / path.name)
    assert sum("of another piece or another study" in s for s in damaged(out)) >= len(entries(out))
    perform(kind, out)
    assert contents(out) == contents(undisturbed(kind))


def test_every_flipped_bit_and_every_cut_of_an_entry_is_found(undisturbed):
    content = (undisturbed("counts") / "pieces" / "cases.00000000.piece").read_bytes()
    assert unseal(content).name == "cases.00000000"
    for place in range(len(content)):
        for rubbish in (
            content[:place],
            *(
                content[:place] + bytes([content[place] ^ 1 << bit]) + content[place + 1 :]
                for bit in range(8)
            ),
        ):
            with pytest.raises(ValueError, match="not what was sealed"):
                unseal(rubbish)


def sealed(body):
    return MAGIC + checksum(body).encode() + b"\n" + body


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"\n",
        b"{}\n",
        b"[1]\n",
        b"1e999\n",
        b"\xff\xfe\n",
        b"[" * 100_000 + b"\n",
        b'{"arrays": {"a": ["|O", [1]]}, "files": {}}\n' + bytes(8),
        b'{"arrays": {"a": ["<f8", [1000000000000]]}, "files": {}}\n',
        b'{"arrays": {"a": ["<f8", [-1]]}, "files": {}, "name": "cases.00000000"}\n' + bytes(8),
        b'{"arrays": {"a": ["no type", [1]]}, "files": {"a": 1}}\n' + bytes(8),
    ],
)
def test_rubbish_with_a_seal_counts_as_missing_and_is_made_again(body, undisturbed, copy):
    out = copy("counts")
    (out / "pieces" / "cases.00000000.piece").write_bytes(sealed(body))
    assert Ledger(out).read("cases.00000000") is None
    perform("counts", out)
    assert contents(out) == contents(undisturbed("counts"))


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"null",
        b"[]",
        b"{}",
        b"\xff",
        b"[" * 100_000,
        b'{"seal": 1}',
        b'{"seal": 1, "plan": {}, "started": 3}',
        b'{"pid": "x", "workers": []}',
        b'{"cases": 3}',
    ],
)
@pytest.mark.parametrize("name", ["plan.json", "known.json", "run.json"])
def test_rubbish_beside_the_pieces_stops_nothing(name, content, undisturbed, copy):
    out = copy("counts")
    before = entries(out)
    (out / "pieces" / name).write_bytes(content)
    damaged(out)
    perform("counts", out)
    assert contents(out) == contents(undisturbed("counts"))
    assert entries(out) == before
    assert status_of(out).parts[0].done == 4


def test_a_made_up_entry_reaches_nothing_outside_the_folder(copy, tmp_path):
    out = copy("counts")
    (tmp_path / "mine").write_text("precious")
    entry = Ledger(out).read("files.results")
    entry.files["../mine"] = entry.files[str(tmp_path / "mine")] = (8, "0")
    (out / "pieces" / "files.results.piece").write_bytes(seal(entry))
    perform("counts", out, fresh=True)
    assert (tmp_path / "mine").read_text() == "precious"


def test_the_hash_of_a_plan_is_of_all_it_says(undisturbed):
    kept = json.loads((undisturbed("counts") / "pieces" / "plan.json").read_text())["plan"]
    for key in kept:
        assert key_of({**kept, key: "other"}) != key_of(kept) == Ledger(undisturbed("counts")).key
