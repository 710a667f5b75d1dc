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


def blend_block(line: Any, x: Any, gain: Any, add: Any, rest: Any, at: Any) -> None:
    """line[x + k] = (line[x + k] * gain[at + k] + (add[at + k] : rest[at + k])) >> 16 for k in 0..7; nothing is checked.

    line : uint8 | uint16 [columns]; gain, add, rest : uint16 [samples]
    """
    first, start = int(x), int(at)  # an unsigned numpy 1 integer plus a Python one would be a float
    for k in range(BLOCK):
        code = int(line[first + k])
        line[first + k] = (code * int(gain[start + k]) + (int(add[start + k]) << 16) + int(rest[start + k])) >> 16


@intrinsic  # type: ignore[untyped-decorator]
def _blend_vector(typing_context: Any, line: Any, x: Any, gain: Any, add: Any, rest: Any, at: Any) -> Any:
    """blend_block as loads and stores of whole vectors, which the compiler does not find by itself in a loop this short."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        words = ir.VectorType(_WORD, BLOCK)
        longs = ir.VectorType(_LONG, BLOCK)
        sample = ir.IntType(signature.args[0].dtype.bitwidth)

        def place(number: int, index: Any) -> Any:
            element = ir.IntType(signature.args[number].dtype.bitwidth)
            array = make_array(signature.args[number])(context, builder, args[number])
            pointer = builder.gep(array.data, [index])
            return builder.bitcast(pointer, ir.VectorType(element, BLOCK).as_pointer())

        target = place(0, args[1])
        codes = builder.load(target, align=1)
        if sample != _WORD:
            codes = builder.zext(codes, words)
        factor, whole, part = (builder.load(place(number, args[5]), align=1) for number in (2, 3, 4))
        product = builder.mul(builder.zext(codes, longs), builder.zext(factor, longs))
        upper = builder.trunc(builder.lshr(product, ir.Constant(longs, [16] * BLOCK)), words)
        lower = builder.add(builder.mul(codes, factor), part)
        carry = builder.zext(builder.icmp_unsigned("<", lower, part), words)
        mixed = builder.add(builder.add(upper, whole), carry)
        if sample != _WORD:
            mixed = builder.trunc(mixed, ir.VectorType(sample, BLOCK))
        builder.store(mixed, target, align=1)
        return context.get_dummy_value()

    return types.void(line, x, gain, add, rest, at), generate


@overload(blend_block)  # type: ignore[untyped-decorator]
def _blend_block(line: Any, x: Any, gain: Any, add: Any, rest: Any, at: Any) -> Any:
    def vector(line: Any, x: Any, gain: Any, add: Any, rest: Any, at: Any) -> Any:
        return _blend_vector(line, x, gain, add, rest, at)

    return vector
