"""What a result held, and what a study leaves to defaults, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr

from ebbmap.engines import unusual_engine
from ebbmap.files.study import Study
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.together import clash_notes

#: Attributes of a result, and the words that lead them in.
ATTRIBUTES = {
    "fixed": "held",
    "averaged_over": "averaged over",
    "sampled": "drawn beside the lungs",
    "conditioned_on": "other properties drawn given",
    "left_bounds": "",
    "engine": "solved by",
}


def held_text(result: xr.Dataset) -> str:
    """Return what a result held, averaged over, drew and conditioned on, and what it marked.

    An engine other than the usual one is named too.

    Examples
    --------
    >>> import xarray as xr
    >>> held_text(xr.Dataset(attrs={"fixed": "P high 24 cmH₂O", "averaged_over": "T low"}))
    'held: P high 24 cmH₂O; averaged over: T low'
    """
    texts = {name: str(result.attrs.get(name, "")) for name in ATTRIBUTES}
    if texts["sampled"] == texts["averaged_over"]:
        texts["sampled"] = ""
    texts["engine"] = unusual_engine(texts["engine"])
    parts = ((ATTRIBUTES[name], text) for name, text in texts.items() if text)
    return "; ".join(f"{lead}: {text}" if lead else text for lead, text in parts)


def engine_note(result: xr.Dataset) -> list[str]:
    """Return the sentence that says what solved a result; none where it is the usual engine.

    Examples
    --------
    >>> engine_note(xr.Dataset(attrs={"engine": "JAX 0.9 in double precision"}))
    ['Solved by JAX 0.9 in double precision.']
    """
    said = unusual_engine(result.attrs["engine"])
    return [f"Solved by {said}."] if said else []


def study_notes(study: Study) -> Iterator[str]:
    """Yield which settings take their default, and what may leave its bounds."""
    yield from study.notes
    yield from clash_notes(study)
    for place, names in study.defaults.items():
        values = ", ".join(PARAMETERS[name].say(PARAMETERS[name].default) for name in names)
        yield f"{place} does not set {values}: the default"
