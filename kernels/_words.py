"""Arithmetic on 16-bit words, modulo 65,536, that a vector unit does for 32 (or 16) words at once.

numba widens every integer operation to 64 bits, and the compiler cannot always narrow it again; these stay at 16. Each has a plain twin
that the interpreter runs, so a kernel's twin gives the same numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import intrinsic, overload
from numba.np.arrayobj import make_array

_WORD = ir.IntType(16)
_LONG = ir.IntType(32)


def plus(a: Any, b: Any) -> Any:
    """a + b mod 65,536."""
    return np.uint16((int(a) + int(b)) & 0xFFFF)


def minus(a: Any, b: Any) -> Any:
    """a - b mod 65,536."""
    return np.uint16((int(a) - int(b)) & 0xFFFF)


def low(a: Any, b: Any) -> Any:
    """The low word of the product."""
    return np.uint16((int(a) * int(b)) & 0xFFFF)


def high(a: Any, b: Any) -> Any:
    """The high word of the product."""
    return np.uint16((int(a) * int(b)) >> 16)


def carried(a: Any, b: Any) -> Any:
    """1 where a < b, else 0: with b a summand of a, whether that sum ran over."""
    return np.uint16(int(a) < int(b))


def right(a: Any, b: Any) -> Any:
    """a shifted right by b bits."""
    return np.uint16(int(a) >> int(b))


def _high(builder: Any, a: Any, b: Any) -> Any:
    # The fixed-point multiplication is the form that is still known for a high product when one factor is constant over a loop.
    multiply = builder.module.declare_intrinsic("llvm.umul.fix", [_WORD], ir.FunctionType(_WORD, [_WORD, _WORD, _LONG]))
    return builder.call(multiply, [a, b, ir.Constant(_LONG, 16)])


def _compile_as(twin: Callable[[Any, Any], Any], build: Callable[[Any, Any, Any], Any]) -> None:
    """Let kernels that call `twin` have the instruction that `build` makes."""

    @intrinsic  # type: ignore[untyped-decorator]
    def instruction(typing_context: Any, a: Any, b: Any) -> Any:
        return types.uint16(types.uint16, types.uint16), lambda context, builder, signature, args: build(builder, *args)

    @overload(twin)  # type: ignore[untyped-decorator]
    def implementation(a: Any, b: Any) -> Any:
        def narrow(a: Any, b: Any) -> Any:
            return instruction(np.uint16(a), np.uint16(b))

        return narrow


_compile_as(low, lambda builder, a, b: builder.mul(a, b))
_compile_as(high, _high)
_compile_as(plus, lambda builder, a, b: builder.add(a, b))
_compile_as(minus, lambda builder, a, b: builder.sub(a, b))
_compile_as(carried, lambda builder, a, b: builder.zext(builder.icmp_unsigned("<", a, b), _WORD))
_compile_as(right, lambda builder, a, b: builder.lshr(a, b))


BLOCK = 8
"""Samples that blend_block takes at once: as many words as the smallest vector unit holds."""


def _blend_lanes(lanes: int) -> Callable[[Any, Any, Any, Any, Any], None]:
    """blend_block for so many samples, as loads and stores of whole vectors, which the compiler does not find in a loop this short."""

    def twin(line: Any, x: Any, blends: Any, at: Any, many: Any) -> None:
        first, gain, step = int(x), int(at), int(many)  # an unsigned numpy 1 integer plus a Python one would be a float
        for k in range(lanes):
            code, add = int(line[first + k]), int(blends[gain + step + k])
            line[first + k] = (code * int(blends[gain + k]) + (add << 16) + int(blends[gain + 2 * step + k])) >> 16

    @intrinsic  # type: ignore[untyped-decorator]
    def vector(typing_context: Any, line: Any, x: Any, blends: Any, at: Any, many: Any) -> Any:
        def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
            words, longs = ir.VectorType(_WORD, lanes), ir.VectorType(_LONG, lanes)
            sample = ir.IntType(signature.args[0].dtype.bitwidth)
            codes_at, table = (make_array(signature.args[n])(context, builder, args[n]).data for n in (0, 2))
            target = builder.bitcast(builder.gep(codes_at, [args[1]]), ir.VectorType(sample, lanes).as_pointer())
            codes = builder.load(target, align=1)
            if sample != _WORD:
                codes = builder.zext(codes, words)
            second = builder.add(args[3], args[4])
            places = (args[3], second, builder.add(second, args[4]))
            factor, whole, part = (
                builder.load(builder.bitcast(builder.gep(table, [place]), words.as_pointer()), align=1)
                for place in places
            )
            product = builder.mul(builder.zext(codes, longs), builder.zext(factor, longs))
            upper = builder.trunc(builder.lshr(product, ir.Constant(longs, [16] * lanes)), words)
            lower = builder.add(builder.mul(codes, factor), part)
            carry = builder.zext(builder.icmp_unsigned("<", lower, part), words)
            mixed = builder.add(builder.add(upper, whole), carry)
            if sample != _WORD:
                mixed = builder.trunc(mixed, ir.VectorType(sample, lanes))
            builder.store(mixed, target, align=1)
            return context.get_dummy_value()

        return types.void(line, x, blends, at, many), generate

    @overload(twin)  # type: ignore[untyped-decorator]
    def implementation(line: Any, x: Any, blends: Any, at: Any, many: Any) -> Any:
        def whole_vectors(line: Any, x: Any, blends: Any, at: Any, many: Any) -> Any:
            return vector(line, x, blends, at, many)

        return whole_vectors

    return twin


blend_block = _blend_lanes(BLOCK)
"""line[x + k] = (line[x + k] * gain + add:rest) >> 16 for k in 0..7 (0..15 and 0..31 in the two below); nothing is checked.

line : uint8 | uint16 [columns]; blends : uint16, gains from `at` on, adds `many` words further, rests as far again
"""

blend_two_blocks = _blend_lanes(2 * BLOCK)
blend_four_blocks = _blend_lanes(4 * BLOCK)
