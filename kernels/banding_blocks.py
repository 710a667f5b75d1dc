"""What the banding index does to a block of neighbouring columns at once, as loads and stores of whole vectors: the runs it meets are too
short for the compiler to find these by itself. Each has a plain twin that the interpreter runs; nothing is checked.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic, overload
from numba.np.arrayobj import make_array

COUNTS = 16
"""Counts that count_in and count_out change at once."""
CONTRASTS = 8
"""Contrasts that put_contrasts and raise_contrasts make at once."""
STEPS = 4
"""Steps that one call looks at."""

_WORD, _LONG, _REAL = ir.IntType(16), ir.IntType(32), ir.FloatType()


def count_in(counts: Any, x: int, profile: Any, at: int) -> None:
    """counts[x + k] += profile[at + k] mod 65,536 for k in 0..15; uint16 [columns] both."""
    for k in range(COUNTS):
        counts[x + k] = (int(counts[x + k]) + int(profile[at + k])) & 0xFFFF


def count_out(counts: Any, x: int, profile: Any, at: int) -> None:
    """counts[x + k] -= profile[at + k] mod 65,536 for k in 0..15; uint16 [columns] both."""
    for k in range(COUNTS):
        counts[x + k] = (int(counts[x + k]) - int(profile[at + k])) & 0xFFFF


def put_contrasts(found: Any, at: int, histograms: Any, code: int, x: int, first: int, weights: Any) -> None:
    """found[at + k] = the largest w(d) p q(d) / (p + q(d)) over the steps d = first .. first + 3, for k in 0..7, with p = the count of
    column x + k at the code, and q(d) the larger of those at code + d and code - d.

    found : float32; histograms : uint16 [codes, columns]; weights : float32, w(1), w(2), … Where p is 0 what comes is of no use.
    """
    for k in range(CONTRASTS):
        own, best = int(histograms[code, x + k]), np.float32(0)
        for step in range(first, first + STEPS):
            other = max(int(histograms[code + step, x + k]), int(histograms[code - step, x + k]))
            if own:
                best = max(best, np.float32(own) * (weights[step - 1] * np.float32(other)) / np.float32(own + other))
        found[at + k] = best


def raise_contrasts(found: Any, at: int, histograms: Any, code: int, x: int, first: int, weights: Any) -> None:
    """The same, but found keeps what is larger."""
    before = found[at : at + CONTRASTS].copy()
    put_contrasts(found, at, histograms, code, x, first, weights)
    found[at : at + CONTRASTS] = np.maximum(before, found[at : at + CONTRASTS])


def _vector(context: Any, builder: Any, array_type: Any, value: Any, index: Any, element: Any, size: int) -> Any:
    """A pointer to `size` elements of an array from `index` on."""
    array = make_array(array_type)(context, builder, value)
    return builder.bitcast(builder.gep(array.data, [index]), ir.VectorType(element, size).as_pointer())


def _counting(operation: str) -> Callable[..., Any]:
    @intrinsic  # type: ignore[untyped-decorator]
    def change(typing_context: Any, counts: Any, x: Any, profile: Any, at: Any) -> Any:
        def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
            target = _vector(context, builder, signature.args[0], args[0], args[1], _WORD, COUNTS)
            source = _vector(context, builder, signature.args[2], args[2], args[3], _WORD, COUNTS)
            held, more = builder.load(target, align=2), builder.load(source, align=2)
            builder.store(getattr(builder, operation)(held, more), target, align=2)
            return context.get_dummy_value()

        return types.void(counts, types.intp, profile, types.intp), generate

    return change  # type: ignore[no-any-return]


_counted_in, _counted_out = _counting("add"), _counting("sub")


@overload(count_in)  # type: ignore[untyped-decorator]
def _count_in(counts: Any, x: Any, profile: Any, at: Any) -> Any:
    def vector(counts: Any, x: Any, profile: Any, at: Any) -> Any:
        return _counted_in(counts, x, profile, at)

    return vector


@overload(count_out)  # type: ignore[untyped-decorator]
def _count_out(counts: Any, x: Any, profile: Any, at: Any) -> Any:
    def vector(counts: Any, x: Any, profile: Any, at: Any) -> Any:
        return _counted_out(counts, x, profile, at)

    return vector


def _contrasting(keep_larger: bool) -> Callable[..., Any]:
    @intrinsic  # type: ignore[untyped-decorator]
    def make(
        typing_context: Any, found: Any, at: Any, histograms: Any, code: Any, x: Any, first: Any, weights: Any
    ) -> Any:
        def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
            words, longs, reals = (ir.VectorType(element, CONTRASTS) for element in (_WORD, _LONG, _REAL))
            array = make_array(signature.args[2])(context, builder, args[2])
            stride = cgutils.unpack_tuple(builder, array.strides, 2)[0]
            across = builder.mul(args[4], context.get_constant(types.intp, 2))

            def counts(code: Any) -> Any:
                place = cgutils.pointer_add(builder, array.data, builder.add(builder.mul(code, stride), across))
                return builder.load(builder.bitcast(place, words.as_pointer()), align=2)

            def real(counted: Any) -> Any:
                return builder.sitofp(builder.zext(counted, longs), reals)

            table = make_array(signature.args[6])(context, builder, args[6])
            own, best = real(counts(args[3])), None
            for number in range(STEPS):
                step = builder.add(args[5], context.get_constant(types.intp, number))
                over, under = counts(builder.add(args[3], step)), counts(builder.sub(args[3], step))
                other = real(builder.select(builder.icmp_unsigned(">", over, under), over, under))
                index = builder.sub(step, context.get_constant(types.intp, 1))
                weight = builder.load(builder.gep(table.data, [index]))
                spread = ir.Constant(reals, ir.Undefined)
                for k in range(CONTRASTS):
                    spread = builder.insert_element(spread, weight, ir.Constant(_LONG, k))
                upper, lower = builder.fmul(spread, other), builder.fadd(own, other)
                if best is not None:  # the larger fraction without dividing
                    ours, theirs = builder.fmul(upper, best[1]), builder.fmul(best[0], lower)
                    larger = builder.fcmp_ordered(">", ours, theirs)
                    upper, lower = builder.select(larger, upper, best[0]), builder.select(larger, lower, best[1])
                best = upper, lower
            assert best is not None
            contrast = builder.fdiv(builder.fmul(own, best[0]), best[1])
            target = _vector(context, builder, signature.args[0], args[0], args[1], _REAL, CONTRASTS)
            if keep_larger:
                held = builder.load(target, align=4)
                contrast = builder.select(builder.fcmp_ordered(">", contrast, held), contrast, held)
            builder.store(contrast, target, align=4)
            return context.get_dummy_value()

        return types.void(found, types.intp, histograms, types.intp, types.intp, types.intp, weights), generate

    return make  # type: ignore[no-any-return]


_put, _raised = _contrasting(False), _contrasting(True)


@overload(put_contrasts)  # type: ignore[untyped-decorator]
def _put_contrasts(found: Any, at: Any, histograms: Any, code: Any, x: Any, first: Any, weights: Any) -> Any:
    def vector(found: Any, at: Any, histograms: Any, code: Any, x: Any, first: Any, weights: Any) -> Any:
        return _put(found, at, histograms, code, x, first, weights)

    return vector


@overload(raise_contrasts)  # type: ignore[untyped-decorator]
def _raise_contrasts(found: Any, at: Any, histograms: Any, code: Any, x: Any, first: Any, weights: Any) -> Any:
    def vector(found: Any, at: Any, histograms: Any, code: Any, x: Any, first: Any, weights: Any) -> Any:
        return _raised(found, at, histograms, code, x, first, weights)

    return vector
