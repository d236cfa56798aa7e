"""Long loops of a solver in one kernel of an accelerator: what they work on stays in registers.

XLA runs each operation of a loop as a kernel of its own, so that all it works on goes to memory and
back. A function of single cases (`ebbmap.array.Kernel`) is lowered whole instead, by JAX's Pallas
and Triton: one thread keeps one case. The formulas are those of every other engine.
Sizes: n cases.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import cache, partial
from typing import Any
from warnings import warn

import numpy as np

from ebbmap.array import Kernel, Picked, Table, exp, use_kernel

#: Cases in a block, which one group of threads works on, and its threads over 32.
BLOCK, WARPS = 128, 4


@contextmanager
def kernels_of_device() -> Iterator[None]:
    """Run long loops in kernels where the device can, within a ``with`` block."""
    with use_kernel(run if device_runs_kernels() else None):
        yield


@cache
def device_runs_kernels() -> bool:
    """Return whether JAX's default device is a GPU that runs a small kernel and counts rightly."""
    import jax

    if jax.default_backend() != "gpu":
        return False
    try:
        if is_right(run):
            return True
        reason = "their numbers are wrong"
    # whatever a version of JAX or a card cannot do, XLA's own kernels can
    except Exception as error:
        reason = f"{type(error).__name__}: {error}"
    warn(
        "the default lung is solved several times slower than it could be, for this device or this "
        f"version of JAX runs no kernels of ours ({reason}). Answers are the same.",
        RuntimeWarning,
        stacklevel=2,
    )
    return False


def is_right(run: Kernel) -> bool:
    """Return whether a small kernel finds what NumPy finds.

    Examples
    --------
    >>> from functools import partial
    >>> is_right(partial(run, interpret=True))
    True
    """
    import jax

    rates, steps = np.linspace(0.5, 2.0, 200), np.linspace(0.0, 1.0, 600).reshape(3, 200)

    def body(cases: Any, table: Table) -> None:
        def add(row: Any, total: Any) -> Any:
            sum_of = table.call(lambda a, b, c: a + c * exp(-b * c), total, table.read(row), cases)
            table.write("faded", row, sum_of)
            return sum_of

        table.loop(3, add, table.constant(0.0))

    with jax.enable_x64(True):
        found = np.asarray(run(body, rates, steps, {"faded": 3})["faded"])
    return bool(
        np.allclose(found, (rates * np.exp(-rates * steps)).cumsum(axis=0), rtol=1e-13, atol=0.0)
    )


def run(
    body: Callable[[Any, Table], None],
    cases: Any,
    rows: Any,
    results: Mapping[str, int | tuple[int, int]],
    *,
    interpret: bool = False,
) -> dict[str, Any]:
    """Run a function of single cases in one kernel.

    Parameters
    ----------
    body, cases, rows, results
        See `ebbmap.array.Kernel`.
    interpret : bool
        Whether to let the processor stand in for the device, as tests do.

    Returns
    -------
    dict of str to array, shape (rows of the result, n) or (s, k, n)
    """
    import jax
    import jax.numpy as jnp
    from jax.experimental import pallas as pl
    from jax.experimental.pallas import triton

    def is_picked(node: Any) -> bool:
        return isinstance(node, Picked)

    length = max(leaf.shape[0] for leaf in jax.tree.leaves(cases) if leaf.ndim)
    one_of_each = jax.tree.map(lambda leaf: _numbers(jnp.broadcast_to(leaf, (length,))), cases)
    leaves, tree = jax.tree.flatten(rows, is_leaf=is_picked)
    tables = [
        Picked(_numbers(jnp.asarray(leaf.values)), jnp.asarray(leaf.which, dtype=jnp.int32))
        if is_picked(leaf)
        else _numbers(jnp.asarray(leaf))
        for leaf in leaves
    ]
    size = min(BLOCK, 1 << (length.bit_length() - 1))

    def kernel(given: tuple[Any, Any], out: dict[str, Any]) -> None:
        case_refs, row_refs = given
        # the last block begins early rather than to run over the end: it does some cases again
        start = jnp.minimum(pl.program_id(0) * size, length - size)
        here = pl.ds(start, size)

        class _Table:
            """Rows of a block of cases: see `ebbmap.array.Table`."""

            def read(self, row: Any) -> Any:
                return jax.tree.unflatten(tree, [_row(ref, row, here) for ref in row_refs])

            def write(self, name: str, row: Any, value: Any) -> None:
                out[name][(*row, here) if isinstance(row, tuple) else (row, here)] = value

            def loop(self, times: int, step: Callable[[Any, Any], Any], first: Any) -> Any:
                return jax.lax.fori_loop(0, times, step, first)

            def call(self, function: Callable[..., Any], *arguments: Any) -> Any:
                fused = _plain if interpret else partial(_fused, size)
                return _with_fused_products(function, arguments, fused)

            def constant(self, value: float) -> Any:
                return jnp.full((size,), value, dtype=jnp.float64)

        body(jax.tree.map(lambda ref: _whole_number(ref[here]), case_refs), _Table())

    call = pl.pallas_call(
        kernel,
        out_shape={
            name: _shaped((*np.atleast_1d(rows).tolist(), length), jnp.float64)
            for name, rows in results.items()
        },
        grid=(-(-length // size),),
        interpret=interpret,
        compiler_params=None if interpret else triton.CompilerParams(num_warps=WARPS, num_stages=1),
    )
    found: dict[str, Any] = call((one_of_each, tables))
    return found


def _numbers(leaf: Any) -> Any:
    """Return truths as whole numbers, which a kernel can load; all else as it is."""
    return leaf.astype(np.int32) if leaf.dtype == bool else leaf


def _whole_number(value: Any) -> Any:
    """Return whole numbers as the truths that they stand for."""
    return value != 0 if value.dtype == np.int32 else value


def _row(ref: Any, row: Any, here: Any) -> Any:
    """Read one row of a table for a block of cases, or the one number that all have."""
    if isinstance(ref, Picked):
        return _whole_number(ref.values[ref.which[row], here])
    if len(ref.shape) == 3:
        return [ref[number, row, here] for number in range(ref.shape[0])]
    return _whole_number(ref[row, here] if ref.shape[-1] > 1 else ref[row, 0])


def _with_fused_products(
    function: Callable[..., Any], arguments: Any, fused: Callable[[Any, Any, Any], Any]
) -> Any:
    """Call a function with x y + z as one instruction where x y is used for nothing else.

    XLA's compilers round between the two, which costs twice as many instructions.
    """
    import jax
    from jax.extend.core import jaxpr_as_fun

    closed, shapes = jax.make_jaxpr(function, return_shape=True)(*arguments)
    program = closed.jaxpr
    known: dict[Any, Any] = dict(zip(program.constvars, closed.consts, strict=True))
    known |= dict(zip(program.invars, jax.tree.leaves(arguments), strict=True))
    used = Counter(atom for step in program.eqns for atom in step.invars if not _is_number(atom))
    used.update(atom for atom in program.outvars if not _is_number(atom))
    kept = set(program.outvars)
    products: dict[Any, tuple[Any, Any]] = {}

    def value(atom: Any) -> Any:
        if _is_number(atom):
            return atom.val
        if atom in products:
            x, y = products.pop(atom)
            known[atom] = x * y
        return known[atom]

    for step in program.eqns:
        (out, *more), name = step.outvars, step.primitive.name
        last, first = (atom if not _is_number(atom) else None for atom in (step.invars * 2)[1::-1])
        if name == "mul" and used[out] == 1 and out not in kept and out.aval.dtype == np.float64:
            products[out] = value(step.invars[0]), value(step.invars[1])
        elif name in ("add", "sub") and last in products:
            x, y = products.pop(last)
            known[out] = fused(-x if name == "sub" else x, y, value(step.invars[0]))
        elif name in ("add", "sub") and first in products:
            x, y = products.pop(first)
            z = value(step.invars[1])
            known[out] = fused(x, y, -z if name == "sub" else z)
        else:
            inner = step.params.get("jaxpr")
            call = jaxpr_as_fun(inner) if inner else partial(step.primitive.bind, **step.params)
            found = call(*map(value, step.invars))
            if step.primitive.multiple_results:
                known |= dict(zip((out, *more), found, strict=True))
            else:
                known[out] = found
    return jax.tree.unflatten(jax.tree.structure(shapes), [value(atom) for atom in program.outvars])


def _is_number(atom: Any) -> bool:
    """Return whether an operand is a number that stands in the program itself."""
    return hasattr(atom, "val")


def _plain(x: Any, y: Any, z: Any) -> Any:
    """Return x y + z, rounded twice."""
    return x * y + z


def _fused(size: int, x: Any, y: Any, z: Any) -> Any:
    """Return x y + z, rounded once, shape (size,)."""
    import jax.numpy as jnp
    from jax.experimental.pallas import triton

    wide = [jnp.broadcast_to(jnp.asarray(one, dtype=jnp.float64), (size,)) for one in (x, y, z)]
    (found,) = triton.elementwise_inline_asm(
        "fma.rn.f64 $0, $1, $2, $3;",
        args=wide,
        constraints="=d,d,d,d",
        pack=1,
        result_shape_dtypes=[_shaped((size,), jnp.float64)],
    )
    return found


def _shaped(shape: tuple[int, ...], kind: Any) -> Any:
    """Return the shape and the type of an array that is yet to be made."""
    import jax

    described: Any = jax.ShapeDtypeStruct
    return described(shape, kind)
