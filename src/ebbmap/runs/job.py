"""The cases of one block: drawn, solved, judged and counted."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ebbmap.cases.blocks import aligned, boxes, keep_heap, view
from ebbmap.cases.drawn_bounds import DRAWN, bar_leavers
from ebbmap.cases.evaluate import compute, evaluate, resolve
from ebbmap.cases.inputs import as_arrays
from ebbmap.cases.question import BATCH, draw_cases
from ebbmap.engines import compiles
from ebbmap.files.study import Study
from ebbmap.kernels.judging import Judgement, judge
from ebbmap.lungs import lung_model
from ebbmap.registries.outcomes import plan
from ebbmap.runs.counts import bin_values, count_verdicts
from ebbmap.runs.derived import Derivation, derivation, derive
from ebbmap.runs.layout import cut

#: Cases solved at a time: fewer arrays live at once here than where every outcome is kept, so
#: more cases fit the cache (measured for the linear, tube and paired lungs).
BLOCK = 2**14


_GB = 1e9  # bytes

#: Name of a sweep among the parts of a run, and of its store.
PART, STORE = "cases", "cases.zarr"

#: Last part of the name of a block that a smaller study left, with fewer columns.
FEWER = "fewer"


class Job:
    """The cases of a sweep that streams, block by block.

    Parameters
    ----------
    study : Study
        With a sweep.
    """

    def __init__(self, study: Study):
        asked = study.file.analyses.sweep
        if asked is None:
            raise ValueError("the study has no sweep")
        self.study, self.asked = study, asked
        self.question = study.question
        self.axes = study.axes
        self.lung = lung_model(self.question.lung)
        groups = self.question.groups()
        drawn, grows = self.question.draws, self.question.draws and self.question.lungs_may_grow
        dims = ["population", *self.axes] + ["sample"] * drawn
        shape = [len(groups), *map(len, self.axes.values())] + [self.question.lungs] * drawn
        self.layout = cut(dims, shape, asked.block)
        if grows:
            batch = cut(dims, [*shape[:-1], BATCH], asked.block)
            self.layout = replace(batch, shape=tuple(shape), grows=True)
        self.kept = self.kept_of(asked.outcomes)
        self.stored = asked.store != "none"
        self.rules = self.question.rules if asked.judged else {}
        #: what is solved for: what is kept, and what the rules judge by
        wanted = self.kept if self.stored or self._summed else ()
        judged = self.question.outcomes if self.rules else ()
        self.todo = plan(self.lung, dict.fromkeys((*wanted, *judged)))
        self.dtype = np.dtype(asked.precision)
        self.marked = tuple(n for n in self.axes if n in asked.reduce_to)
        #: axes without a bearing on which lungs are drawn are cut out of a block separately
        of_groups = {n for g in groups if g is not None for n in g.properties}
        self.held = tuple(name for name in self.axes if name in of_groups)
        self._drawn: dict[tuple[Any, ...], dict[str, Any]] = {}
        #: parameters whose values were drawn, and may have left their bounds
        self._leavers: list[str] = []
        self._memory: dict[str, np.ndarray] = {}

    def kept_of(self, named: Sequence[str] | None) -> tuple[str, ...]:
        """Return the outcomes that are kept where these are named, those of the rules included."""
        if named is not None and self.asked.judged:
            named = (*named, *self.question.outcomes)
        return plan(self.lung, named).outcomes

    def derivation(self, stored: Collection[str]) -> Derivation:
        """Return how the outcomes that are not stored follow from those that are."""
        return derivation(self.todo, [n for n in self.kept if n not in stored], stored)

    def derive(
        self, number: int, stored: Collection[str], read: Callable[[str], np.ndarray]
    ) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
        """Compute what the cases of a block do not have yet, from what is stored of them.

        Parameters
        ----------
        number : int
            Of the block.
        stored : collection of str
            Outcomes that are stored.
        read : callable
            ``read(column) -> values``, of a stored column of the block.

        Returns
        -------
        dict of str to ndarray
            Further columns, and the status anew.
        dict of str to ndarray
            What the reductions keep of the further columns.
        """
        box, how = self.layout.box(number), self.derivation(stored)
        shape = tuple(one.stop - one.start for one in box)
        inputs = self._resolved(box, how.parameters)
        columns, status = {name: read(name) for name in how.uses}, read("status")
        new = [name for name in self.kept if name not in stored]
        filled = {name: self._room(name, self.dtype, shape) for name in new}
        filled["status"] = self._room("status", status.dtype, shape)
        for part in boxes(shape, BLOCK):
            given, held = (
                {n: view(value, part) for n, value in own.items()} for own in (inputs, columns)
            )
            known, flags = derive(how, given, held, view(status, part))
            for name in new:
                filled[name][part] = known[name]
            filled["status"][part] = flags
        return filled, self._sums({name: filled[name] for name in new})

    def _resolved(
        self, box: tuple[slice, ...], parameters: tuple[str, ...]
    ) -> dict[str, np.ndarray]:
        """Return parameters of the cases of a box, one axis for each dimension."""
        values = self.inputs(box)
        inputs = resolve(bar_leavers(values, self._leavers), parameters)
        return {name: aligned(value, len(box)) for name, value in inputs.items()}

    @property
    def _summed(self) -> bool:
        return bool({"extremes", "quantiles"} & set(self.asked.reductions))

    @property
    def columns(self) -> dict[str, np.dtype]:
        """Names and types of what is filled in for every case."""
        byte: np.dtype = np.dtype(np.int8)
        found: dict[str, np.dtype] = (
            dict.fromkeys(self.kept, self.dtype) if self.stored or self._summed else {}
        )
        if self.stored:
            found["status"] = byte
            for rule in self.rules:
                found |= {f"verdict_{rule}": byte, f"binding_{rule}": byte}
                found[f"margin_{rule}"] = self.dtype
        return found

    @property
    def bytes_per_case(self) -> int:
        """Bytes of one case before compression."""
        return sum(kind.itemsize for kind in self.columns.values())

    def first_names(self, lungs: int) -> list[str]:
        """Return the names of the blocks that so many lungs have too, where they may grow."""
        if not self.layout.grows:
            return []
        before = replace(self.layout, shape=(*self.layout.shape[:-1], lungs))
        return self.names()[: before.blocks]

    def names(self) -> list[str]:
        """Return the name of every block in the ledger."""
        return [f"{PART}.{number:08d}" for number in range(self.layout.blocks)]

    def places(self, number: int) -> dict[str, str]:
        """Return the file of each column's chunk of a block, as places in the output folder."""
        if not self.stored:
            return {}
        chunk = ".".join(map(str, self.layout.place(number)))
        return {column: f"{STORE}/{column}/{chunk}" for column in self.columns}

    def solve(self, box: tuple[slice, ...]) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
        """Solve the cases of a box: the columns, and what the reductions keep of them."""
        shape = tuple(one.stop - one.start for one in box)
        inputs = self._resolved(box, self.todo.parameters)
        filled = {name: self._room(name, kind, shape) for name, kind in self.columns.items()}
        counts, cell = self._cells(shape)
        if not self.todo.outcomes:
            return filled, counts
        keep_heap()
        whole = evaluate(self.lung, inputs, self.todo.outcomes) if compiles(self.lung) else None
        for part in boxes(shape, BLOCK):
            piece = {name: view(value, part) for name, value in inputs.items()}
            if whole is None:
                known, flags = compute(self.lung, self.todo, piece)
            else:
                known = {name: view(value, part) for name, value in whole.outcomes.items()}
                flags = view(whole.status, part)
            if self.stored:
                filled["status"][part] = flags
            for name in self.kept if filled else ():
                filled[name][part] = known[name]
            for rule, limits in self.rules.items():
                judged = judge(limits, known)
                if self.stored:
                    filled[f"verdict_{rule}"][part] = judged.verdict
                    filled[f"binding_{rule}"][part] = judged.binding
                    filled[f"margin_{rule}"][part] = judged.margin
                if f"counts_{rule}" in counts:
                    self._count(counts[f"counts_{rule}"], judged, cell, part)
        return filled, {**counts, **self._sums(filled)}

    def inputs(self, box: tuple[slice, ...]) -> dict[str, np.ndarray]:
        """Return the values of a block by parameter, one axis per dimension."""
        cuts = dict(zip(self.layout.dims, box, strict=True))
        held = {name: self.axes[name][cuts[name]] for name in self.held}
        # where lungs may grow, a block has one batch of them, and only labels ask for all
        lungs = cuts.get("sample", slice(0))
        alone = self.layout.grows and lungs.stop - (lungs.start or 0) <= BATCH
        batch = lungs.start // BATCH if alone else None
        key = (box[0].start, batch, *((cuts[n].start, cuts[n].stop) for n in self.held))
        if key not in self._drawn:
            group = self.question.groups()[box[0].start]
            drawn = as_arrays(draw_cases(self.question, group, held, batch=batch))
            drawn = {n: array for n, array in drawn.items() if n not in held}
            self._leavers = [n for n, array in drawn.items() if DRAWN in array.attrs]
            # one set of lungs at a time: a block is the next one of its neighbour
            self._drawn = {key: drawn}
        values = {}
        for name, array in self._drawn[key].items():
            own = [dim for dim in self.layout.dims if dim in array.dims]
            full = array.transpose(*own).values
            if "sample" in own and batch is None:
                full = full[..., cuts["sample"]]
            lengths = dict(zip(own, full.shape, strict=True))
            values[name] = full.reshape([lengths.get(dim, 1) for dim in self.layout.dims])
        for name, axis in self.axes.items():
            values[name] = axis[cuts[name]].reshape(
                [-1 if dim == name else 1 for dim in self.layout.dims]
            )
        return values

    def _room(self, name: str, kind: np.dtype, shape: tuple[int, ...]) -> np.ndarray:
        """Return memory for a column, the same again for every block: fresh memory is slow."""
        size = int(np.prod(shape))
        if name not in self._memory or self._memory[name].size < size:
            self._memory[name] = np.empty(size, kind)
        return self._memory[name][:size].reshape(shape)

    def _cells(self, shape: tuple[int, ...]) -> tuple[dict[str, np.ndarray], np.ndarray]:
        """Return empty counts of a block, and the cell of every case, of length one elsewhere."""
        if "safe_share" not in self.asked.reductions:
            return {}, np.zeros([1] * len(shape), np.int64)
        marked = [
            n if dim in self.marked else 1 for dim, n in zip(self.layout.dims, shape, strict=True)
        ]
        cells = int(np.prod(marked))
        counts = {
            f"counts_{rule}": np.zeros((cells, 4, len(limits.hard) + 1), np.int64)
            for rule, limits in self.rules.items()
        }
        return counts, np.arange(cells).reshape(marked)

    def _count(
        self,
        counts: np.ndarray,
        judged: Judgement,
        cell: np.ndarray,
        part: tuple[slice, ...],
    ) -> None:
        """Add the verdicts on a part of a block to its counts."""
        own = view(cell, part)
        first, last = int(own.flat[0]), int(own.flat[-1])
        # a verdict that does not vary along an axis still counts once for every case there
        size = tuple(one.stop - one.start for one in part)
        here = np.broadcast_to(own - first, size)
        counts[first : last + 1] += count_verdicts(
            judged.verdict, judged.binding, here, cells=last + 1 - first, bounds=counts.shape[2] - 1
        )

    def _sums(self, filled: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
        found: dict[str, np.ndarray] = {}
        for name in filled if self._summed else ():
            if name not in self.kept:
                continue
            if "extremes" in self.asked.reductions:
                flat = filled[name].reshape(-1)
                found[f"extremes_{name}"] = np.array(
                    [np.fmin.reduce(flat), np.fmax.reduce(flat)], float
                )
            if "quantiles" in self.asked.reductions:
                bins, counted = bin_values(filled[name])
                found[f"bins_{name}"] = np.stack([bins, counted])
        return found


def streams(study: Study) -> bool:
    """Return whether the sweep of a study goes block by block: it says so, or is large."""
    asked = study.file.analyses.sweep
    if asked is None or asked.store == "netcdf":
        return False
    if asked.store in ("zarr", "none") or asked.reductions or asked.precision == "float32":
        return True
    job = Job(study)
    return bool(job.layout.cases * job.bytes_per_case > asked.netcdf_up_to_gb * _GB)


def number_of(name: str) -> int:
    """Return the number of a block in the layout."""
    return int(name.removeprefix(f"{PART}."))
