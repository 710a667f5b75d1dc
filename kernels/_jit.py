"""Plain loops and their compiled forms: serial, GIL released, cached on disk where a place for a cache exists.

A kernel is an ordinary function over planes and tables. It is compiled once for every set of element types that it meets, and not
once more for every layout of rows: padded, flipped and packed planes share one compilation, because a person waits for each of them
on a cold start. Inside a kernel, `row(plane, y)` is a row as a contiguous vector, which is what lets the compiler vectorise.

Never parallel inside (threads outside, over bands of rows, beat it and cannot abort a host), never fast-math (two machines agree).
"""

from __future__ import annotations

import inspect
import threading
from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir
from numba import carray, njit, types
from numba.core import cgutils
from numba.extending import intrinsic, overload
from numba.np.arrayobj import make_array
from numba.np.numpy_support import from_dtype


class Kernel:
    """A compiled function; `py_func` is the very same loop for tests and debuggers.

    Arguments are two-dimensional planes (any row stride, neighbouring columns adjacent), one-dimensional contiguous tables,
    and Python ints and floats (which become int64 and float64). Nothing is checked here: builders check.
    """

    def __init__(self, py_func: Callable[..., Any], writes: tuple[str, ...]) -> None:
        self.py_func = py_func
        self.__doc__ = py_func.__doc__
        self._mutable = tuple(name in writes for name in inspect.signature(py_func).parameters)
        self._compiled: dict[tuple[Any, ...], Any] = {}
        self._lock = threading.Lock()

    def __call__(self, *args: Any) -> Any:
        key = tuple([arg.dtype if isinstance(arg, np.ndarray) else type(arg) for arg in args])
        compiled = self._compiled.get(key)
        if compiled is None:
            compiled = self._compile(key, args)
        return compiled(*args)

    def _compile(self, key: tuple[Any, ...], args: tuple[Any, ...]) -> Any:
        with self._lock:
            if key not in self._compiled:
                pairs = zip(args, self._mutable, strict=True)
                self._compiled[key] = _compile(self.py_func, tuple(_type_of(arg, mutable) for arg, mutable in pairs))
            return self._compiled[key]

    def compilations(self) -> tuple[Any, ...]:
        """The compiled forms so far, for tests and for reading the machine code."""
        return tuple(self._compiled.values())


def kernel(*writes: str) -> Callable[[Callable[..., Any]], Kernel]:
    """Compile the decorated loop at its first call; `writes` names the parameters that it overwrites."""
    return lambda py_func: Kernel(py_func, writes)


def inline(py_func: Callable[..., Any]) -> Any:
    """A small function that kernels call; compiled into its callers."""
    return njit(nogil=True, inline="never")(py_func)


def _type_of(arg: Any, mutable: bool) -> Any:
    """The loosest type that the kernel accepts for this argument, so that no layout needs a compilation of its own."""
    if isinstance(arg, np.ndarray):
        return types.Array(from_dtype(arg.dtype), arg.ndim, "A" if arg.ndim == 2 else "C", readonly=not mutable)
    return types.float64 if isinstance(arg, float) else types.int64


def _compile(py_func: Callable[..., Any], argument_types: tuple[Any, ...]) -> Any:
    """Compiled for exactly these types: from the cache, else into the cache, else without one.

    A cache is a convenience. Where there is no place for one (read-only package and home), or where it fills up or turns
    out unreadable, the kernel must still run.
    """
    try:
        return njit([argument_types], nogil=True, cache=True)(py_func)
    except (RuntimeError, OSError, EOFError, ValueError, ImportError):
        return njit([argument_types], nogil=True)(py_func)


def row(plane: Any, y: int) -> Any:
    """Row y of a plane as a contiguous vector, without a copy."""
    return plane[y]


@intrinsic  # type: ignore[untyped-decorator]
def _row_pointer(typing_context: Any, plane: Any, y: Any) -> Any:
    """The address of plane[y, 0]."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        array = make_array(signature.args[0])(context, builder, args[0])
        stride = cgutils.unpack_tuple(builder, array.strides, 2)[0]
        return cgutils.pointer_add(builder, array.data, builder.mul(args[1], stride))

    return types.CPointer(plane.dtype)(plane, types.intp), generate


@overload(row)  # type: ignore[untyped-decorator]
def _row(plane: Any, y: Any) -> Any:
    def contiguous(plane: Any, y: Any) -> Any:
        return carray(_row_pointer(plane, y), (plane.shape[1],))

    return contiguous


def fetch(plane: Any, y: int, x: int) -> None:
    """Ask for the memory around plane[y, x], soon to be changed; nothing else happens."""


def fetch_table(table: Any, at: int) -> None:
    """Ask for the memory around table[at], soon to be read; nothing else happens."""


def _hint(builder: Any, pointer: Any, writing: int) -> None:
    number = ir.IntType(32)
    hint = builder.module.declare_intrinsic(
        "llvm.prefetch", [cgutils.voidptr_t], ir.FunctionType(ir.VoidType(), [cgutils.voidptr_t] + [number] * 3)
    )
    near = builder.bitcast(pointer, cgutils.voidptr_t)
    builder.call(hint, [near, number(writing), number(3), number(1)])  # to read or write, to keep near, data


@intrinsic  # type: ignore[untyped-decorator]
def _prefetch(typing_context: Any, plane: Any, y: Any, x: Any) -> Any:
    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        array = make_array(signature.args[0])(context, builder, args[0])
        down, across = cgutils.unpack_tuple(builder, array.strides, 2)
        offset = builder.add(builder.mul(args[1], down), builder.mul(args[2], across))
        _hint(builder, cgutils.pointer_add(builder, array.data, offset), 1)
        return context.get_dummy_value()

    return types.void(plane, types.intp, types.intp), generate


@intrinsic  # type: ignore[untyped-decorator]
def _prefetch_table(typing_context: Any, table: Any, at: Any) -> Any:
    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        array = make_array(signature.args[0])(context, builder, args[0])
        _hint(builder, builder.gep(array.data, [args[1]]), 0)
        return context.get_dummy_value()

    return types.void(table, types.intp), generate


@overload(fetch)  # type: ignore[untyped-decorator]
def _fetch(plane: Any, y: Any, x: Any) -> Any:
    def hint(plane: Any, y: Any, x: Any) -> Any:
        return _prefetch(plane, y, x)

    return hint


@overload(fetch_table)  # type: ignore[untyped-decorator]
def _fetch_table(table: Any, at: Any) -> Any:
    def hint(table: Any, at: Any) -> Any:
        return _prefetch_table(table, at)

    return hint
