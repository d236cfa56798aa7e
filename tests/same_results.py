"""Compare two folders of results value for value: nothing may differ but the names listed here.

    .venv/bin/python tests/same_results.py OLD NEW

Each holds one folder for every study and every check (`check_NAME`), as `ebbmap run` and `ebbmap
check` wrote them. Values of NetCDF files are compared bit for bit, with their types, dimensions and
attributes; tables, texts of pictures, study files and reports letter by letter; pictures by their
pixels. What says when and by which code a result was made is left out, and so is the ledger. Prints
what differs, then the names that changed; the status is 1 if anything differs.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import xarray as xr
from matplotlib.image import imread

#: Names that changed: the old one, as a file, folder or name in a file is found -> the new one.
#: Folders of studies, then files in any folder, then dimensions, variables and attributes.
FOLDERS: Mapping[str, str] = {}
FILES: Mapping[str, str] = {}
NAMES: Mapping[str, str] = {}

#: Words in texts (attributes, values of text, tables, captions, study files) -> what they are now.
WORDS: Mapping[str, str] = {}

#: Names of files, variables and attributes that are new, each with the reason.
NEW_NAMES: Mapping[str, str] = {}

#: What is not a result: where work was kept, and hashes of texts that are compared themselves.
LEDGER = "pieces"
HASHES = ("study_hash", "protocol_hash")

#: The code that made a result, and the time of day.
MADE_BY = re.compile(r"(ebbmap )[\d.]+(?:, code \w+)?")
TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:[+-]\d\d:\d\d|Z)?")

#: A picture within a report; pictures are compared where they stand alone.
WITHIN_PAGE = re.compile(r"data:image/[a-z]+;base64,[A-Za-z0-9+/=]+")


def renamed(text: str) -> str:
    """Return an old text with the words of today, without what says when it was made."""
    return re.sub("|".join(map(re.escape, WORDS)), lambda m: WORDS[m[0]], text) if WORDS else text


def undated(text: str) -> str:
    """Return a text without time of day and code."""
    return TIME.sub("TIME", MADE_BY.sub(r"\1", text))


def results(folder: Path) -> dict[str, Path]:
    """Return all files of results below a folder by their relative names."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder)
        if path.is_file() and LEDGER not in name.parts and len(name.parts) > 1:
            found[name.as_posix()] = path
    return found


def name_now(name: str) -> str:
    """Return the relative name that an old file has today."""
    folder, _, file = name.partition("/")
    return f"{FOLDERS.get(folder, folder)}/{FILES.get(file, file)}"


def unmatched(old: set[str], new: set[str], kind: str) -> Iterator[str]:
    """Yield the names that only one side has."""
    yield from (f"{kind} {name!r} is gone" for name in sorted(old - new))
    yield from (f"{kind} {name!r} is new" for name in sorted(new - old - set(NEW_NAMES)))


def texts_differ(old: str, new: str) -> Iterator[str]:
    """Yield the first line that differs, and how many do."""
    before, after = undated(renamed(old)).splitlines(), undated(new).splitlines()
    lines = [k for k, (a, b) in enumerate(zip(before, after, strict=False)) if a != b]
    if lines:
        a, b = before[lines[0]], after[lines[0]]
        start = next((k for k, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), 0)
        start = max(0, start - 30)
        yield (
            f"{len(lines)} of {len(before)} lines differ, first line {lines[0] + 1}: "
            f"{a[start : start + 160]!r} is now {b[start : start + 160]!r}"
        )
    if len(before) != len(after):
        yield f"{len(before)} lines, now {len(after)}"


def attributes_differ(old: Mapping, new: Mapping, place: str) -> Iterator[str]:
    """Yield every attribute that differs."""
    before = {NAMES.get(name, name): value for name, value in old.items() if name not in HASHES}
    after = {name: value for name, value in new.items() if name not in HASHES}
    yield from unmatched(set(before), set(after), f"{place}: attribute")
    for name in sorted(set(before) & set(after)):
        a, b = before[name], after[name]
        if isinstance(a, str) and isinstance(b, str):
            differences = list(texts_differ(a, b))
        else:
            differences = [] if _bits(a) == _bits(b) else [f"{a!r} is now {b!r}"]
        yield from (f"{place}: attribute {name!r}: {text}" for text in differences)


def _bits(value: object) -> tuple[str, tuple[int, ...], bytes]:
    """Return type, shape and bytes of a value; texts are told apart by their letters alone."""
    array = np.asarray(value)
    if array.dtype.kind in "OUS":
        texts = "\0".join(str(text) for text in array.ravel())
        return "text", array.shape, texts.encode()
    return array.dtype.str, array.shape, np.ascontiguousarray(array).tobytes()


def values_differ(old: xr.Variable, new: xr.Variable, place: str) -> Iterator[str]:
    """Yield how one variable differs: dimensions, type, values, attributes."""
    dims = tuple(NAMES.get(str(dim), str(dim)) for dim in old.dims)
    if dims != new.dims or old.shape != new.shape:
        yield f"{place}: {dims} {old.shape} is now {new.dims} {new.shape}"
        return
    before, after = old.values, new.values
    if before.dtype.kind in "OU":
        before = np.asarray([renamed(str(text)) for text in before.ravel()], dtype=object)
        before = before.reshape(old.shape)
    if _bits(before) != _bits(after):
        yield f"{place}: {_value_difference(before, after)}"
    yield from attributes_differ(old.attrs, new.attrs, place)


def _value_difference(before: np.ndarray, after: np.ndarray) -> str:
    """Return how many values differ and by how much."""
    if before.dtype.kind != after.dtype.kind and "O" not in before.dtype.kind + after.dtype.kind:
        return f"type {before.dtype} is now {after.dtype}"
    numbers = before.dtype.kind == "f"
    same = (before == after) | (np.isnan(before) & np.isnan(after) if numbers else False)
    different = ~np.asarray(same, dtype=bool)
    if not different.any():
        return f"equal values of another type or sign: {before.dtype}, now {after.dtype}"
    a, b = before[different].flat[0], after[different].flat[0]
    size = f", at most by {np.nanmax(np.abs(after - before)[different]):.3g}" if numbers else ""
    return f"{different.sum():,} of {before.size:,} values differ{size}; {a!r} is now {b!r}"


def datasets_differ(old: Path, new: Path) -> Iterator[str]:
    """Yield how two NetCDF files differ."""
    options = {"engine": "h5netcdf", "decode_times": False, "mask_and_scale": False}
    with xr.open_dataset(old, **options) as before, xr.open_dataset(new, **options) as after:
        now = {NAMES.get(str(name), str(name)): v for name, v in before.variables.items()}
        yield from unmatched(set(now), {str(name) for name in after.variables}, "variable")
        for name in now:
            if name in after.variables:
                yield from values_differ(now[name], after.variables[name], name)
        coords = {NAMES.get(str(name), str(name)) for name in before.coords}
        if coords != set(after.coords):
            yield f"coordinates {sorted(coords)} are now {sorted(map(str, after.coords))}"
        yield from attributes_differ(before.attrs, after.attrs, "dataset")


def pictures_differ(old: Path, new: Path) -> Iterator[str]:
    """Yield how two pictures differ, pixel by pixel."""
    if old.read_bytes() == new.read_bytes():
        return
    if old.suffix != ".png":
        yield "other bytes"
        return
    before, after = imread(old), imread(new)
    if before.shape != after.shape:
        yield f"{before.shape} pixels, now {after.shape}"
    elif not np.array_equal(before, after):
        yield f"{(before != after).any(axis=-1).sum():,} pixels differ"


def files_differ(old: Path, new: Path) -> Iterator[str]:
    """Yield how two files of results differ."""
    if old.suffix == ".nc":
        yield from datasets_differ(old, new)
    elif old.suffix in (".png", ".gif"):
        yield from pictures_differ(old, new)
    else:
        texts = (path.read_bytes().decode() for path in (old, new))
        yield from texts_differ(*(WITHIN_PAGE.sub("PICTURE", text) for text in texts))


def main(old: Path, new: Path) -> int:
    """Print all differences and the names that changed; return 1 if anything differs."""
    before = {name_now(name): (name, path) for name, path in results(old).items()}
    after = results(new)
    if not before:
        raise SystemExit(f"{old} holds no results.")
    differences = list(unmatched(set(before), set(after), "file"))
    for name in sorted(set(before) & set(after)):
        differences += [f"{name}: {text}" for text in files_differ(before[name][1], after[name])]
    print(*differences, sep="\n", end="\n\n" if differences else "")
    print("| name before | name now | of |\n| --- | --- | --- |")
    moved = [(was, now, "file") for now, (was, _) in before.items() if was != now]
    moved += [(was, now, "name in files") for was, now in NAMES.items()]
    moved += [(was, now, "words") for was, now in WORDS.items()]
    moved += [("", name, why) for name, why in NEW_NAMES.items()]
    for row in moved:
        print("|", " | ".join(row), "|")
    print(f"\n{len(before)} files compared, {len(differences)} difference(s)")
    return int(bool(differences))


if __name__ == "__main__":
    if len(sys.argv) != 3:
        raise SystemExit(__doc__)
    raise SystemExit(main(*map(Path, sys.argv[1:])))
